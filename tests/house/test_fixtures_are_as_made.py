"""The invented catalogue: made by its generator, one catalogue in both forms, and holding what it is there for."""

from __future__ import annotations

import json
import math
from collections import Counter, defaultdict
from itertools import pairwise
from pathlib import Path

import pytest

from fixtures.lobe_laws import smallest_half_angle
from fixtures.make_catalogue import generate
from fixtures.scenario import all_files
from service.catalogue_files import read_csv, read_json
from service.domain.catalogue import Catalogue, Part, PartStatus
from service.domain.readings import LobeKind, Position
from service.domain.units import LengthUnit
from service.identification.look_alikes.look_alike_map import Separator
from service.lobe.timing import duration_at
from tests.catalogues import indistinct_pairs

FOLDER = Path(__file__).parents[2] / "fixtures"


@pytest.fixture(scope="module")
def invented() -> Catalogue:
    return read_json((FOLDER / "catalogue.json").read_bytes())


def front_in(read: Catalogue, code: str) -> float:
    """A core's front journal, in inches."""
    (diameter,) = (
        j.diameter_mm for c in read.cores if c.code == code for j in c.journals if j.position is Position.FRONT
    )
    return diameter / 25.4


def lifts_in(part: Part) -> tuple[float, ...]:
    return tuple(lobe.lift_mm / 25.4 for lobe in part.lobes.values())


def test_the_files_are_what_the_generator_writes() -> None:
    made = all_files()
    assert made.keys() == {
        "catalogue.json",
        "sample_submission.json",
        "catalogue/cores.csv",
        "catalogue/parts.csv",
        "catalogue/lift_tables.csv",
    }
    for path, text in made.items():
        assert (FOLDER / path).read_bytes() == text.encode(), f"{path}: run python -m fixtures.make_catalogue"


def test_both_forms_hold_the_same_catalogue(invented: Catalogue) -> None:
    files = [(FOLDER / "catalogue" / f"{name}.csv").read_bytes() for name in ("cores", "parts", "lift_tables")]
    assert read_csv(*files) == invented


def test_everything_says_that_it_is_invented() -> None:
    for name in ("catalogue.json", "sample_submission.json"):
        assert "Invented for demonstration" in json.loads((FOLDER / name).read_text())["note"]
    assert "is invented" in (FOLDER / "README.md").read_text()


def test_it_is_of_the_size_of_a_real_catalogue(invented: Catalogue) -> None:
    assert len(invented.cores) >= 9
    assert len(invented.parts) >= 220
    assert {core.unit for core in invented.cores} == set(LengthUnit)
    assert {part.status for part in invented.parts} == set(PartStatus)


def test_no_part_number_spells_its_core_or_a_lift(invented: Catalogue) -> None:
    for part in invented.parts:
        text = part.part_number.replace("-", "")
        assert part.core not in text
        for lobe in part.lobes.values():
            spelt = f"{lobe.lift_mm / float(part.unit.mm):.3f}".replace(".", "").strip("0")
            assert len(spelt) < 3 or spelt not in text


def test_three_cores_share_their_journals_and_differ_in_gear_or_length(invented: Catalogue) -> None:
    kd, vp, mb = (next(c for c in invented.cores if c.code == code) for code in ("KD", "VP", "MB"))
    assert kd.journals == vp.journals == mb.journals
    assert kd.gear_teeth != vp.gear_teeth
    assert kd.gear_teeth == mb.gear_teeth
    assert kd.overall_length_mm != mb.overall_length_mm


@pytest.mark.parametrize("codes", [("KD", "WE"), ("HS", "GN"), ("LQ", "RC"), ("JX", "BF")])
def test_pairs_of_cores_lie_5_to_12_thousandths_apart(invented: Catalogue, codes: tuple[str, str]) -> None:
    one, other = (front_in(invented, code) for code in codes)
    assert 0.005 <= abs(one - other) <= 0.012


def test_two_cores_have_journals_of_0_550_and_0_558_in(invented: Catalogue) -> None:
    assert front_in(invented, "HS") == pytest.approx(0.550)
    assert front_in(invented, "GN") == pytest.approx(0.558)


def test_one_core_has_its_grinds_well_apart(invented: Catalogue) -> None:
    parts = [part for part in invented.parts if part.core == "SD"]
    lifts = sorted(lifts_in(part)[0] for part in parts)
    assert all(higher - lower >= 0.010 for lower, higher in pairwise(lifts))
    sizes = {round(lobe.lift_mm / 25.4, 3): lobe for part in parts for lobe in part.lobes.values()}
    assert sizes[0.356].base_circle_mm / 25.4 == pytest.approx(0.759, abs=0.0015)
    assert sizes[0.356].height_mm / 25.4 == pytest.approx(1.113, abs=0.0015)
    assert sizes[0.308].base_circle_mm / 25.4 == pytest.approx(0.816, abs=0.0015)
    assert sizes[0.308].height_mm / 25.4 == pytest.approx(1.124, abs=0.0015)


def test_lifts_of_a_core_climb_in_small_steps(invented: Catalogue) -> None:
    for code in ("KD", "HS", "JX"):
        lifts = sorted({round(lifts_in(part)[0], 3) for part in invented.parts if part.core == code})
        assert all(0 < higher - lower <= 0.0131 for lower, higher in pairwise(lifts)), code


def test_superseded_numbers_are_the_same_grind_but_for_one(invented: Catalogue) -> None:
    by_number = {part.part_number: part for part in invented.parts}
    old = [part for part in invented.parts if part.status is PartStatus.SUPERSEDED]
    assert all(by_number[part.superseded_by or ""].core == part.core for part in old)
    changed = [part for part in old if by_number[part.superseded_by or ""].lobes != part.lobes]
    assert len(old) > 10
    assert len(changed) == 1


def test_there_are_dual_patterns_and_shafts_of_one_kind_of_lobe(invented: Catalogue) -> None:
    kinds = Counter(tuple(part.lobes) for part in invented.parts)
    assert kinds[(LobeKind.INTAKE,)] >= 3
    assert kinds[(LobeKind.EXHAUST,)] >= 3
    dual = sum(len(set(lifts_in(part))) == 2 for part in invented.parts)
    assert dual > len(invented.parts) / 5


def test_there_are_look_alikes_of_every_sort(invented: Catalogue) -> None:
    separators = Counter(pair.separated_by for pair in indistinct_pairs(invented))
    # one rough hand in twenty takes a journal so badly that no pair is parted best by a finer tool for it
    assert separators.keys() >= set(Separator) - {Separator.LOBE_SEPARATION, Separator.OUTSIDE_MICROMETER}
    assert separators[Separator.DURATION] > 20


def test_every_duration_is_one_that_its_lobe_can_have(invented: Catalogue) -> None:
    """No convex lobe of that lift on that base circle, nose radius 0.05 in, has a shorter one."""
    at = 1.27
    stated = 0
    for part in invented.parts:
        for lobe in part.lobes.values():
            least = 4 * math.degrees(smallest_half_angle(lobe.base_circle_mm / 2, lobe.lift_mm, at, 1.27))
            for duration in lobe.durations:
                if duration.checking_lift_mm == at:
                    stated += 1
                    assert duration.crank_deg > least, part.part_number
    assert stated > 300


def test_lift_tables_have_the_durations_that_are_stated(invented: Catalogue) -> None:
    tables = 0
    for part in invented.parts:
        for lobe in part.lobes.values():
            if lobe.lift_table is None:
                continue
            tables += 1
            lifts = dict(lobe.lift_table.points)
            assert lifts[0.0] == pytest.approx(lobe.lift_mm, abs=0.003)
            assert lifts[min(lifts)] == lifts[max(lifts)] == 0.0
            assert len(lobe.durations) == 2
            for duration in lobe.durations:
                read = duration_at(lobe.lift_table.points, duration.checking_lift_mm)
                assert read == pytest.approx(duration.crank_deg, abs=0.4)
    assert tables == 12


def test_units_sold_and_rocker_ratios_vary(invented: Catalogue) -> None:
    sold = [part.units_sold or 0 for part in invented.parts]
    assert max(sold) > 10 * sorted(sold)[len(sold) // 2]
    ratios = defaultdict(set)
    for part in invented.parts:
        ratios[part.core].update(lobe.rocker_ratio for lobe in part.lobes.values())
    assert sum(given != {None} for given in ratios.values()) >= 3


@pytest.mark.parametrize("cores", [10, 40])
def test_larger_catalogues_are_valid_and_of_the_same_density(cores: int) -> None:
    made = generate(cores, seed=7)
    read = read_json(made)
    assert Counter(part.core for part in read.parts) == {core.code: 25 for core in read.cores}
    assert made == generate(cores, seed=7)
    assert made != generate(cores, seed=8)
    assert all(0.4 * 25.4 <= j.diameter_mm <= 2.5 * 25.4 for core in read.cores for j in core.journals)

"""The look-alike map: against a slow comparison of every pair, and what it says separates them."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import pytest

from fixtures.make_catalogue import generate
from service.catalogue_files import read_json
from service.domain.catalogue import Catalogue
from service.domain.readings import LobeKind, Position
from service.identification.look_alikes import LookAlike, Separator, indistinct_pairs
from service.identification.table import grind_classes
from tests.catalogues import catalogue, core, part, plain_lobe

ALIKE_MM, JOURNALS_MM = 0.0015 * 25.4 + 1e-9, 0.003 * 25.4 + 1e-9


def slow_pairs(read: Catalogue) -> set[tuple[str, str]]:
    """Every pair compared size by size."""
    cores = {c.code: {j.position: j.diameter_mm for j in c.journals} for c in read.cores}
    leaders = [read.parts[members[0]] for members in grind_classes(read.parts)]

    def alike(a: Any, b: Any) -> bool:
        ours, theirs = cores[a.core], cores[b.core]
        return (
            a.lobes.keys() == b.lobes.keys()
            and ours.keys() == theirs.keys()
            and all(abs(ours[p] - theirs[p]) <= JOURNALS_MM for p in Position if p in ours)
            and all(
                abs(x.lift_mm - y.lift_mm) <= ALIKE_MM and abs(x.base_circle_mm - y.base_circle_mm) <= ALIKE_MM
                for x, y in ((a.lobes[kind], b.lobes[kind]) for kind in LobeKind if kind in a.lobes)
            )
        )

    return {tuple(sorted((a.part_number, b.part_number))) for a, b in combinations(leaders, 2) if alike(a, b)}  # type: ignore[misc]


@pytest.mark.parametrize("cores", [1, 6, 20])
def test_the_map_finds_what_comparing_every_pair_finds(cores: int) -> None:
    read = read_json(generate(cores, seed=cores))
    found = [tuple(sorted((pair.part_number, pair.other))) for pair in indistinct_pairs(read)]
    assert len(set(found)) == len(found)
    assert set(found) == slow_pairs(read)
    assert found


def pair_of(other: dict[str, Any], other_core: dict[str, Any] | None = None) -> tuple[LookAlike, ...]:
    """Look-alikes of P-1 (0.313 in, 232 degrees, on C1) and P-2, changed by `other`."""
    plain = {"part_number": "P-1", "core": "C1", "lobe_separation": 108, "lobes": {"intake": _lobe()}}
    cores = [core(), core(code="C2") | (other_core or {})]
    second = part(**(plain | {"part_number": "P-2", "core": "C2" if other_core else "C1"} | other))
    return indistinct_pairs(read_json(catalogue(cores=cores, parts=[part(**plain), second])))


def _lobe(lift: str = "0.3130", base_circle: str = "0.8610", degrees: str = "232") -> dict[str, Any]:
    return plain_lobe(lift, base_circle, durations=[{"checking_lift": "0.050", "crank_degrees": degrees}])


@pytest.mark.parametrize(
    ("other", "other_core", "separator", "difference"),
    [
        ({}, {"gear_teeth": 30}, Separator.GEAR_TEETH, 2.0),
        ({}, {"gear_teeth": 30, "overall_length": "5.5"}, Separator.GEAR_TEETH, 2.0),
        ({}, {"overall_length": "5.320"}, Separator.OVERALL_LENGTH, 5.08),
        ({}, {"overall_length": "5.130"}, Separator.NOTHING, None),
        ({"lobes": {"intake": _lobe(degrees="240")}}, None, Separator.DURATION, 8.0),
        ({"lobes": {"intake": _lobe(degrees="236")}}, None, Separator.BENCH, 4.0),
        ({"lobe_separation": 110}, None, Separator.LOBE_SEPARATION, 2.0),
        ({"lobe_separation": 109}, None, Separator.BENCH, 2.0),
        ({}, None, Separator.NOTHING, None),
        ({"lobes": {"intake": plain_lobe()}}, None, Separator.NOTHING, None),
    ],
)
def test_the_cheapest_separator_is_named(
    other: dict[str, Any], other_core: dict[str, Any] | None, separator: Separator, difference: float | None
) -> None:
    (pair,) = pair_of(other, other_core)
    assert (pair.part_number, pair.other) == ("P-1", "P-2")
    assert pair.separated_by is separator
    assert pair.difference == (None if difference is None else pytest.approx(difference))


@pytest.mark.parametrize(
    ("lift", "base_circle", "alike"),
    [("0.3145", "0.8610", True), ("0.3146", "0.8610", False), ("0.3130", "0.8595", True), ("0.3130", "0.8590", False)],
)
def test_parts_are_alike_up_to_0_0015_in_on_every_size(lift: str, base_circle: str, alike: bool) -> None:
    assert bool(pair_of({"lobes": {"intake": _lobe(lift, base_circle)}})) is alike


@pytest.mark.parametrize(("diameter", "alike"), [("0.7530", True), ("0.7531", False)])
def test_cores_are_alike_up_to_0_003_in_on_every_journal(diameter: str, alike: bool) -> None:
    journals = [{"position": "front", "diameter": diameter}, {"position": "rear", "diameter": "0.7500"}]
    assert bool(pair_of({}, {"journals": journals})) is alike


def test_parts_that_carry_other_lobes_are_not_alike() -> None:
    assert not pair_of({"lobes": {"exhaust": _lobe()}})


def test_numbers_of_one_and_the_same_grind_are_no_pair() -> None:
    assert indistinct_pairs(read_json(catalogue())) == ()


def test_a_successor_that_was_changed_is_a_pair_where_a_caliper_cannot_tell() -> None:
    old = part(part_number="P-0", status="superseded", superseded_by="P-1", lobe_separation="112")
    (pair,) = indistinct_pairs(read_json(catalogue(parts=[part(), old])))
    assert pair.separated_by is Separator.LOBE_SEPARATION


def test_a_catalogue_of_one_part_has_no_look_alikes() -> None:
    assert indistinct_pairs(read_json(catalogue(parts=[part()]))) == ()

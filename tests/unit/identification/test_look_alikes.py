"""The look-alike map: against every pair compared, against callers who hold one of two, and what it names."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from scipy.stats import chi2, norm

from fixtures.make_catalogue import generate
from service.catalogue_files import read_json
from service.domain.catalogue import Catalogue
from service.domain.errors import InvalidInput
from service.domain.readings import Condition, Instrument, LobeKind
from service.identification.catalogue_table.rows import Kind, part_rows
from service.identification.catalogue_table.table import LOBES, POSITIONS, CatalogueTable, build_table, grind_classes
from service.identification.entries.entries import entry_of, hands
from service.identification.likelihood.likelihood import log_likelihood
from service.identification.look_alikes.look_alike_map import Kit, LookAlike, Separator, look_alikes
from service.identification.measuring.model import DEFAULT_MODEL, spread_of_mean
from tests.benchmarks.catalogues import fixture_catalogue
from tests.catalogues import catalogue, core, indistinct_pairs, part, plain_lobe
from tests.labelled_callers import submission_about
from tests.submissions import CALIPER, base, height, journal, submission

RATE = 0.05


def spread(entry: Any, level: float) -> float:
    """The variance of one reading about its truth and its tool's zero."""
    error = spread_of_mean(entry, submission(entry, instrument=CALIPER, condition=Condition.USED), DEFAULT_MODEL, level)
    return error.sd**2 + error.technique_mean**2


def slow_wrong(table: CatalogueTable, i: int, j: int) -> float:
    """The chance of a wrong guess between two parts, its covariance written down reading by reading."""
    one, other = table.core_of[i], table.core_of[j]
    zero_variance = DEFAULT_MODEL.tools[CALIPER].zero_sd ** 2
    lobes = [k for k in range(2) if np.isfinite(table.lift[i, k])]
    positions = [k for k in range(3) if np.isfinite(table.journal[[one, other], k]).all()]
    size = len(positions) + 2 * len(lobes)
    total = 0.0
    for level, share in DEFAULT_MODEL.hand_levels:
        for bad, of_zero in ((1.0, 1 - DEFAULT_MODEL.zero_bad_share), (4.0, DEFAULT_MODEL.zero_bad_share)):
            s, d = np.full((size, size), zero_variance * bad**2), np.zeros(size)
            for n, k in enumerate(positions):
                own = (table.journal_sd[one, k] ** 2 + table.journal_sd[other, k] ** 2) / 2
                s[n, n] += own + DEFAULT_MODEL.journal_wear_mean**2 + spread(journal(1.0, position=POSITIONS[k]), level)
                d[n] = table.journal[one, k] - table.journal[other, k]
            for m, k in enumerate(lobes):
                n = len(positions) + 2 * m
                of_base = (table.base_sd[i, k] ** 2 + table.base_sd[j, k] ** 2) / 2
                of_lift = (table.lift_sd[i, k] ** 2 + table.lift_sd[j, k] ** 2) / 2 + DEFAULT_MODEL.nose_wear_mean**2
                s[n : n + 2, n : n + 2] += of_base
                s[n, n] += of_lift + spread(height(1.0, lobe=LOBES[k]), level)
                s[n + 1, n + 1] += spread(base(1.0, lobe=LOBES[k]), level)
                d[n + 1] = table.base[i, k] - table.base[j, k]
                d[n] = d[n + 1] + table.lift[i, k] - table.lift[j, k]
            total += share * of_zero * norm.cdf(-np.sqrt(d @ np.linalg.inv(s) @ d) / 2)
    return float(total)


def slow_pairs(read: Catalogue) -> dict[tuple[str, str], float]:
    """Every pair compared."""
    table = build_table(read)
    leaders = sorted(members[0] for members in grind_classes(read.parts))
    found = {}
    for i, j in combinations(leaders, 2):
        if read.parts[i].lobes.keys() == read.parts[j].lobes.keys():
            wrong = slow_wrong(table, i, j)
            if wrong > RATE:
                found[read.parts[i].part_number, read.parts[j].part_number] = wrong
    return found


@pytest.mark.parametrize("cores", [1, 5])
def test_the_map_finds_what_comparing_every_pair_finds(cores: int) -> None:
    read = read_json(generate(cores, seed=cores))

    found = {(pair.part_number, pair.other): pair.wrong for pair in indistinct_pairs(read)}

    assert found == pytest.approx(slow_pairs(read))
    assert found


def test_callers_take_one_of_two_for_the_other_as_often_as_reckoned() -> None:
    """The engine's own likelihood, asked which of two parts callers hold who were drawn from the measuring model."""
    read, callers, rng = fixture_catalogue(), 150, np.random.default_rng(3)
    table, cores = build_table(read), {one.code: one for one in read.cores}
    index = {number: i for i, number in enumerate(table.part_numbers)}
    pairs = [
        pair
        for pair in look_alikes(table, kit=Kit(error_rate=0.01))
        if pair.wrong < 0.45 and len(read.parts[index[pair.part_number]].lobes) == len(LobeKind)
    ]
    squares = 0.0
    chosen = [pairs[n] for n in rng.permutation(len(pairs))[:12]]
    for pair in chosen:
        both = [index[pair.part_number], index[pair.other]]
        said = [
            submission_about(read.parts[i], cores[read.parts[i].core], DEFAULT_MODEL, rng, repeats=1, practised=False)
            for i in both
            for _ in range(callers)
        ]
        rows = part_rows(table, np.array(both), Kind.MADE, np.zeros(2))
        of_hands = []
        for hand in hands(said[0], DEFAULT_MODEL):
            entries = [
                [entry_of(n, one, each, DEFAULT_MODEL, hand.level) for n, one in enumerate(each.readings)]
                for each in said
            ]
            of_hands.append(log_likelihood(table, rows, entries, DEFAULT_MODEL, 1.0) + hand.log_share)  # type: ignore[arg-type]
        guessed = np.logaddexp.reduce(of_hands).argmax(axis=1)
        seen = float((guessed != np.repeat([0, 1], callers)).mean())
        squares += (seen - pair.wrong) ** 2 / (pair.wrong * (1 - pair.wrong) / (2 * callers))

    # by chance alone the sum exceeds this once in a thousand
    assert squares < chi2.ppf(0.999, len(chosen))


def pair_of(
    other: dict[str, Any], other_core: dict[str, Any] | None = None, kit: Kit | None = None
) -> tuple[LookAlike, ...]:
    """Look-alikes of P-1 (0.313 in, 232 degrees, on C1) and P-2, changed by `other`."""
    plain = {"part_number": "P-1", "core": "C1", "lobe_separation": 108, "lobes": {"intake": _lobe()}}
    cores = [core(), core(code="C2") | (other_core or {})]
    second = part(**(plain | {"part_number": "P-2", "core": "C2" if other_core else "C1"} | other))
    table = build_table(read_json(catalogue(cores=cores, parts=[part(**plain), second])))
    return look_alikes(table) if kit is None else look_alikes(table, kit=kit)


def _lobe(lift: str = "0.3130", base_circle: str = "0.8610", degrees: str = "232") -> dict[str, Any]:
    return plain_lobe(lift, base_circle, durations=[{"checking_lift": "0.050", "crank_degrees": degrees}])


@pytest.mark.parametrize(
    ("other", "other_core", "separator", "difference"),
    [
        ({}, {"gear_teeth": 30}, Separator.GEAR_TEETH, 2.0),
        ({}, {"gear_teeth": 30, "overall_length": "5.5"}, Separator.GEAR_TEETH, 2.0),
        ({}, {"overall_length": "5.320"}, Separator.OVERALL_LENGTH, 5.08),
        ({}, {"overall_length": "5.130"}, Separator.NOTHING, None),
        ({"lobes": {"intake": _lobe(degrees="246")}}, None, Separator.DURATION, 14.0),
        ({"lobes": {"intake": _lobe(degrees="237")}}, None, Separator.BENCH, 5.0),
        ({"lobe_separation": 122}, None, Separator.LOBE_SEPARATION, 14.0),
        ({"lobe_separation": 110}, None, Separator.BENCH, 4.0),
        ({"lobe_separation": 109}, None, Separator.NOTHING, None),
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
    assert pair.wrong == pytest.approx(0.5)
    assert (pair.wrong_then <= RATE) is (separator is not Separator.NOTHING)
    assert pair.in_kit is (separator in (Separator.GEAR_TEETH, Separator.OVERALL_LENGTH))


def test_journals_too_near_for_a_caliper_are_told_apart_by_a_micrometer() -> None:
    journals = [{"position": "front", "diameter": "0.7517"}, {"position": "rear", "diameter": "0.7500"}]
    (pair,) = pair_of({}, {"journals": journals})

    assert (pair.separated_by, pair.where) == (Separator.OUTSIDE_MICROMETER, "front")
    assert pair_of({}, {"journals": journals}, Kit(frozenset({Instrument.OUTSIDE_MICROMETER}))) == ()


def test_it_is_said_whether_the_kit_can_take_the_reading() -> None:
    ground = {"lobe_separation": 122}
    (without,) = pair_of(ground)
    (with_wheel,) = pair_of(ground, kit=Kit(frozenset({CALIPER, Instrument.DEGREE_WHEEL})))

    assert (without.separated_by, without.in_kit) == (Separator.LOBE_SEPARATION, False)
    assert (with_wheel.separated_by, with_wheel.in_kit) == (Separator.LOBE_SEPARATION, True)


def test_the_nearer_the_sizes_the_likelier_a_wrong_guess() -> None:
    wrong = [pair_of({"lobes": {"intake": _lobe(lift)}})[0].wrong for lift in ("0.3130", "0.3140", "0.3150", "0.3160")]

    assert wrong == sorted(wrong, reverse=True)
    assert not pair_of({"lobes": {"intake": _lobe("0.3300")}})


def test_a_stricter_rate_finds_more_pairs_and_every_pair_of_a_laxer_one() -> None:
    table = build_table(fixture_catalogue())
    lax, strict = (
        {(pair.part_number, pair.other) for pair in look_alikes(table, kit=Kit(error_rate=rate))}
        for rate in (0.1, 0.01)
    )

    assert lax < strict


def test_the_spreads_are_those_of_the_constants_in_use() -> None:
    tools = dict(DEFAULT_MODEL.tools)
    tools[CALIPER] = replace(tools[CALIPER], scatter=0.05)
    table = build_table(fixture_catalogue())

    assert len(look_alikes(table, replace(DEFAULT_MODEL, tools=tools))) > len(look_alikes(table))


def test_an_indicator_alone_reads_lifts() -> None:
    assert pair_of({"lobes": {"intake": _lobe(base_circle="0.8000")}}, kit=Kit(frozenset({Instrument.DIAL_INDICATOR})))
    assert not pair_of({"lobes": {"intake": _lobe(base_circle="0.8000")}})


def test_a_kit_that_reads_no_size_is_refused() -> None:
    with pytest.raises(InvalidInput) as refused:
        pair_of({}, kit=Kit(frozenset({Instrument.DEGREE_WHEEL})))

    assert refused.value.faults[0].pointer == "/tools"


def test_parts_that_carry_other_lobes_are_not_alike() -> None:
    assert not pair_of({"lobes": {"exhaust": _lobe()}})


def test_numbers_of_one_and_the_same_grind_are_no_pair() -> None:
    assert indistinct_pairs(read_json(catalogue())) == ()


def test_a_successor_that_was_changed_is_a_pair_where_a_caliper_cannot_tell() -> None:
    old = part(part_number="P-0", status="superseded", superseded_by="P-1", lobe_separation="120")
    (pair,) = indistinct_pairs(read_json(catalogue(parts=[part(), old])))

    assert pair.separated_by is Separator.LOBE_SEPARATION


def test_a_catalogue_of_one_part_has_no_look_alikes() -> None:
    assert indistinct_pairs(read_json(catalogue(parts=[part()]))) == ()

"""Boxes of parts, and the first look that goes by them: a look at every part by itself finds the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.arrays import Floats
from service.identification.catalogue_table import part_boxes
from service.identification.catalogue_table.part_boxes import FEW_PARTS, LEAF, in_boxes, levels, shown
from service.identification.catalogue_table.rows import Kind, part_rows
from service.identification.catalogue_table.table import LOBES, CatalogueTable, build_table
from service.identification.entries.entries import hands
from service.identification.entries.entry_lists import EntryLists
from service.identification.entries.entry_source import EntrySource
from service.identification.entries.slips import hypotheses
from service.identification.likelihood.claims import claim_log_bound, claim_log_density
from service.identification.measuring.model import DEFAULT_MODEL
from service.identification.shortlist.quick_look import QuickLook
from service.identification.shortlist.screening import ByHand, Kept, screen
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import BASE

CATALOGUE = grown_catalogue(5_000)
TABLE = build_table(CATALOGUE)
SUPPLY = Supply(CATALOGUE, BASE, np.random.default_rng([7, 0]))
CALLERS = range(12)


def asked(number: int) -> list[ByHand]:
    """What an invented caller's likeliest and roughest hands hold to have been read."""
    submission = draw_caller(SUPPLY, BASE, np.random.default_rng([7, 1, number])).submission
    source = EntrySource(submission, DEFAULT_MODEL, TABLE.families, None)
    slips = hypotheses(submission, DEFAULT_MODEL, {}, tuple(LOBES))
    every = sorted(hands(submission, DEFAULT_MODEL), key=lambda hand: hand.level)
    return [
        ByHand(
            EntryLists.holding([source.of(slip, hand.level) for slip in slips]),
            np.array([slip.log_prior for slip in slips]) + hand.log_share,
        )
        for hand in (every[0], every[-1])
    ]


@settings(max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(0, 3 * FEW_PARTS))
def test_every_part_lies_in_one_box_of_each_size_and_shows_no_more_than_it(seed: int, parts: int) -> None:
    draw = np.random.default_rng(seed)

    def sizes(*shape: int) -> Floats:
        found = draw.uniform(10, 60, shape)
        found[draw.random(shape) < 0.2] = np.nan
        return found

    base, lift = sizes(parts, 2), sizes(parts, 2)
    lift[np.isnan(base)] = np.nan
    own = shown(sizes(parts, 3), np.full((parts, 3), 0.01), sizes(parts), base, lift)
    order, low, high = in_boxes(own)
    assert sorted(order) == list(range(parts))
    made = levels(low, high, np.arange(parts, dtype=float)[order])
    assert bool(made) == (parts > FEW_PARTS)
    inside = np.arange(made[0].log_prior.size) if made else np.arange(parts)
    for level in made:
        below = [level.held_by(np.array([box])) for box in inside]
        inside = np.concatenate(below)
    # the last level's are the parts' own places
    assert sorted(inside) == list(range(parts))
    for level in made[-1:]:
        for box in range(level.log_prior.size):
            held = order[level.held_by(np.array([box]))]
            assert 0 < held.size <= LEAF
            with np.errstate(invalid="ignore"):
                assert not (own.low[:, held] < level.shown.low[:, [box]]).any()
                assert not (own.low[:, held] > level.shown.high[:, [box]]).any()
            assert level.log_prior[box] == held.max()


@pytest.mark.parametrize("number", CALLERS)
def test_no_part_is_worth_more_than_its_box(number: int) -> None:
    by_hand = asked(number)
    look = QuickLook.of([hand.hypotheses for hand in by_hand], DEFAULT_MODEL)

    def worth(of: part_boxes.Shown) -> list[Floats]:
        of_cores = look.cores(of)[look.core_view_of]
        return [of_cores + of_lobes for of_lobes in look.lobes(of)]

    parts = worth(TABLE.shown_by(TABLE.box_order))
    for level in TABLE.box_levels:
        boxes = worth(level.shown)
        for of_parts, of_boxes in zip(parts, boxes, strict=True):
            starts = np.arange(0, of_parts.shape[1], _size_of(level))
            assert (np.maximum.reduceat(of_parts, starts, axis=1) <= of_boxes + 1e-9).all()


def _size_of(level: part_boxes.BoxLevel) -> int:
    size = level.holds
    for smaller in TABLE.box_levels[TABLE.box_levels.index(level) + 1 :]:
        size *= smaller.holds
    return size


@pytest.mark.parametrize("number", CALLERS)
def test_no_part_exceeds_what_is_said_to_bound_its_claims(number: int) -> None:
    look = QuickLook.of([hand.hypotheses for hand in asked(number)], DEFAULT_MODEL)
    rows = part_rows(TABLE, np.arange(len(TABLE.part_numbers)), Kind.MADE, np.zeros(len(TABLE.part_numbers)))
    for key, variants in look.claims.items():
        found = claim_log_density(TABLE, rows, key, variants.sets, DEFAULT_MODEL)
        assert (found.max(axis=1) <= claim_log_bound(TABLE, key, variants.sets, DEFAULT_MODEL) + 1e-9).all()


def without_boxes() -> CatalogueTable:
    """The same parts in no boxes: each is looked at."""
    bare = replace(TABLE, box_order=np.arange(len(TABLE.part_numbers)))
    bare.__dict__["box_levels"] = ()
    return bare


@pytest.mark.parametrize("number", CALLERS)
@pytest.mark.parametrize("patience", [0.0, 20.0])
def test_a_look_at_boxes_first_keeps_what_a_look_at_every_part_keeps(number: int, patience: float) -> None:
    by_hand = asked(number)

    def kept(table: CatalogueTable) -> Kept:
        return screen(table, by_hand, DEFAULT_MODEL, used=True, patience=patience)

    boxed, bare = kept(TABLE), kept(without_boxes())
    assert TABLE.box_levels
    for name in ("hypotheses", "made", "reground", "cores"):
        assert getattr(boxed, name).tolist() == getattr(bare, name).tolist()
    assert boxed.lift_mm == bare.lift_mm

"""What the posterior is left without by the cuts that make it quick: beside one with no cut at all.

Every cell of the posterior is a row under a slip under a hand. The cells that the cuts leave keep their weights, so
that no probability moves by more than what the others hold; that is *lost*. Only the grids of the integrals, which go
by what is there, move anything besides.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from decimal import Decimal
from types import ModuleType
from typing import Any
from unittest import mock

import numpy as np

from service.domain.arrays import Floats
from service.domain.readings import Feature, Instrument, LobeKind, Reading, Source, Submission, Written
from service.domain.units import LengthUnit
from service.identification import posterior
from service.identification.catalogue_table.rows import Kind, part_rows
from service.identification.catalogue_table.table import CatalogueTable, build_table
from service.identification.entries.entries import hands
from service.identification.entries.entry_lists import EntryLists
from service.identification.entries.entry_source import EntrySource
from service.identification.entries.slips import Hypothesis
from service.identification.likelihood import nodes
from service.identification.likelihood.likelihood import log_likelihood
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_sum_exp
from service.identification.posterior import Posterior, weigh
from service.identification.shortlist import alike_cores, screening, strangers
from service.identification.shortlist.quick_look import QuickLook
from service.identification.shortlist.rough_fit import rough_log_likelihood
from tests.benchmarks.catalogues import grown_catalogue

Cut = tuple[ModuleType, str]

CUTS: dict[str, tuple[Cut, ...]] = {
    "screen: rows": ((screening, "_ROW_CUT"),),
    "screen: slips": ((screening, "_SLIP_CUT"),),
    "strangers: cores and slips": (
        (screening, "_CORE_CUT"),
        (strangers, "_CORE_CUT"),
        (strangers, "_AS_GOOD"),
    ),
    "rough reckoning: rows and slips": ((posterior, "_LONG_SHOT"), (posterior, "_STRANGER_SHOT")),
    "rough reckoning: hands": ((posterior, "_UNLIKELY_HAND"), (posterior, "_STRANGER_SHOT")),
}
"""The cuts in nats, by what they let go. The last two share one, which lets more stay and is nothing by itself."""
_BOUNDS: tuple[Cut, ...] = ((posterior, "_MOST_WEIGHED"), (nodes, "_MOST_WORK"), (nodes, "_MOST_NODES"))
"""Bounds on work, which only many rows meet: none, so that every posterior is worked out in the same way."""


@contextmanager
def only(names: Sequence[str]) -> Iterator[None]:
    """The engine with these of `CUTS` and no others."""
    kept = {cut for name in names for cut in CUTS[name]}
    with ExitStack() as stack:
        for module, called in (cut for cuts in CUTS.values() for cut in cuts):
            if (module, called) not in kept:
                stack.enter_context(mock.patch.object(module, called, math.inf))
        for module, called in _BOUNDS:
            stack.enter_context(mock.patch.object(module, called, 10**15))
        yield


def shown_nats(name: str) -> str:
    """The cuts of a name as numbers."""
    return ", ".join(f"{getattr(module, called):g}" for module, called in CUTS[name])


@dataclass(frozen=True)
class LetGo:
    """Of one submission: what is lost to all cuts and to each alone, and how far the parts' probabilities move.

    `undervalued_nats`: by how much more the rough reckoning puts a cell behind than the exact one does, at worst among
    the cells that hold any weight to speak of.
    """

    lost: float
    lost_to: dict[str, float]
    most_moved: float
    leader_moved: float
    cells: int
    cells_left: int
    undervalued_nats: float


_ANY_WEIGHT_NATS = 16.0
"""Cells so far behind the best hold 1e-7 of it."""


@mock.patch.object(alike_cores, "_FEW", 10**15)
def let_go(table: CatalogueTable, submission: Submission, model: MeasuringModel, *, each: bool = True) -> LetGo:
    """Compare the engine's posterior with one without cuts; with `each`, with each cut alone as well.

    In all of them every core stands for itself, so that a row here is the same row there.
    """
    quick = weigh(table, submission, model)
    with only(()), _noting() as noted:
        whole = weigh(table, submission, model)
    places = _Places(whole)
    alone = {}
    for name in CUTS if each else ():
        with only([name]):
            alone[name] = places.lost(weigh(table, submission, model))
    moved = np.abs(_of_classes(quick) - _of_classes(whole))
    leader = int(_of_classes(whole)[1:].argmax()) + 1
    return LetGo(
        lost=places.lost(quick),
        lost_to=alone,
        most_moved=float(moved.max()),
        leader_moved=float(moved[leader]),
        cells=int(np.isfinite(whole.log_weight).sum()),
        cells_left=int(np.isfinite(quick.log_weight).sum()),
        # where all was weighed again with more patience, the last time counts
        undervalued_nats=_undervalued(whole, *noted[-2:]),
    )


def _of_classes(found: Posterior) -> Floats:
    """Probability of "not in the catalogue" and of each class: (classes + 1,)."""
    classes = len(found.table.class_numbers)
    return np.asarray(np.bincount(found.row_class + 1, found.row_probability, classes + 1), float)


class _Places:
    """Where the cells of other posteriors of the same submission lie in a whole one."""

    def __init__(self, whole: Posterior) -> None:
        self._weight = np.exp(whole.log_weight)
        self._rows = {key: at for at, key in enumerate(_row_keys(whole))}
        self._slips = {repr(slip): at for at, slip in enumerate(whole.slips)}
        assert len(self._rows) == whole.rows.size
        assert len(self._slips) == len(whole.slips)

    def lost(self, some: Posterior) -> float:
        """What the cells that `some` lacks hold of the whole."""
        rows = [self._rows[key] for key in _row_keys(some)]
        slips = [self._slips[repr(slip)] for slip in some.slips]
        gone = np.ones(self._weight.shape, bool)
        gone[np.ix_(range(len(some.hands)), slips, rows)] = ~np.isfinite(some.log_weight)
        return float(self._weight[gone].sum())


def _row_keys(found: Posterior) -> list[tuple[str, ...]]:
    """What tells rows apart: kind, part, core, and of strangers the lift and how far it may be off."""
    rows = found.rows
    columns = (rows.kind, rows.part, rows.core, rows.lift[:, 0], rows.lift_sd[:, 0])
    return [tuple(map(repr, row)) for row in zip(*(column.tolist() for column in columns), strict=True)]


@contextmanager
def _noting() -> Iterator[list[Floats]]:
    """The rough and the exact log-likelihoods of every cell: (A, H, K) each, once weighed without cuts."""
    noted: list[Floats] = []
    rough, exact = rough_log_likelihood, posterior._likelihoods

    def roughly(*given: Any) -> Floats:
        noted.append(rough(*given))
        return noted[-1]

    def exactly(*given: Any) -> Floats:
        noted.append(exact(*given))
        return noted[-1]

    with (
        mock.patch.object(posterior, "rough_log_likelihood", roughly),
        mock.patch.object(posterior, "_likelihoods", exactly),
    ):
        yield noted


def _undervalued(whole: Posterior, rough: Floats, exact: Floats) -> float:
    """The most that the rough reckoning puts a cell with any weight further behind the best than the exact one does."""
    exact = exact + whole.log_world
    rough = rough.reshape(exact.shape) + whole.log_world
    known = np.isfinite(rough) & (exact >= exact.max() - _ANY_WEIGHT_NATS)
    if not known.any():
        return 0.0
    return float(((exact[known] - exact.max()) - (rough[known] - rough.max())).max())


def far_off(aways_mm: Sequence[float], model: MeasuringModel) -> list[tuple[float, float]]:
    """How many nats one base circle, read once by digital caliper, puts a part behind whose base circle is so much
    smaller: (by the screen, by the exact likelihood with every hand summed over) for each."""
    table = build_table(grown_catalogue(25), model)
    read = Written(Decimal(f"{table.base[0, 0]:.2f}"), 2)
    reading = Reading(Feature.BASE_CIRCLE, (read,), lobe=LobeKind.INTAKE)
    submission = Submission(
        Source.PHONE, LengthUnit.MILLIMETRE, (reading,), instrument=Instrument.DIGITAL_CALIPER
    )  # fmt: skip
    source, every = EntrySource(submission, model, table.families), hands(submission, model)
    entries = [source.of(Hypothesis(None, "", 0.0), hand.level) for hand in every]
    shares = np.array([hand.log_share for hand in every])[:, None]
    roughest = max(range(len(every)), key=lambda a: every[a].level)
    two, found = np.array([0, 1]), []
    for away in aways_mm:
        base, lift = table.base.copy(), table.lift.copy()
        base[1], lift[1] = base[0] - away, lift[0]
        pair = replace(table, base=base, lift=lift)
        look = QuickLook.of([EntryLists.holding([entries[hand]]) for hand in (0, roughest)], model)
        screened = (look.lobes(pair.shown_by(two))[0] + shares[[0, roughest]]).max(axis=0)
        rows = part_rows(pair, two, Kind.MADE, np.zeros(2))
        exact = log_sum_exp(log_likelihood(pair, rows, entries, model, [hand.wear for hand in every]) + shares, axis=0)
        found.append((float(screened[0] - screened[1]), float(exact[0] - exact[1])))
    return found

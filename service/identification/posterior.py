"""The posterior: every row under every slip under every hand, weighed by prior and likelihood, summing to one."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Floats, Ints
from service.domain.readings import Submission
from service.identification.catalogue_table.rows import Kind, Rows, join, nonsense_row, part_rows
from service.identification.catalogue_table.table import LOBES, CatalogueTable
from service.identification.entries.entries import Entry, Hand, hands, is_used
from service.identification.entries.entry_lists import EntryLists
from service.identification.entries.entry_source import EntrySource, Source
from service.identification.entries.slips import Hypothesis, hypotheses
from service.identification.entries.table_evidence import TableEvidence
from service.identification.likelihood.likelihood import log_likelihood
from service.identification.likelihood.nodes import shares_ratio, tools_on_lobes, within_means
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.densities import log_sum_exp
from service.identification.shortlist.rough_fit import rough_log_likelihood
from service.identification.shortlist.screening import ByHand, Kept, screen
from service.identification.shortlist.strangers import likely_strangers
from service.identification.watch import EXACT, READINGS, ROUGH, SCREENING, STRANGERS, Watch, unwatched


@dataclass(frozen=True, eq=False)
class Posterior:
    """The weights (A, H, K) of A hands, H slip hypotheses and K rows, as probabilities' logs that sum to one.

    `entries[a][h]` are hypothesis h's entries under hand a; `log_world` (A, H, K) is the log prior, minus infinity
    where a hypothesis does not apply to a row.
    """

    table: CatalogueTable
    model: MeasuringModel
    used: bool
    rows: Rows
    slips: tuple[Hypothesis, ...]
    hands: tuple[Hand, ...]
    entries: tuple[tuple[tuple[Entry, ...], ...], ...]
    log_world: Floats
    log_weight: Floats

    def wear(self, hand: int) -> float:
        """The factor on the mean nose wear that goes with a hand; 0 for a new shaft."""
        return self.hands[hand].wear if self.used else 0.0

    @property
    def row_probability(self) -> Floats:
        """Probability of each row, (K,)."""
        return np.asarray(np.exp(self.log_weight).sum(axis=(0, 1)))

    @property
    def slip_probability(self) -> Floats:
        """Probability of each slip hypothesis, (H,)."""
        return np.asarray(np.exp(self.log_weight).sum(axis=(0, 2)))

    @property
    def row_class(self) -> Ints:
        """The class of each row, -1 for strangers and nonsense."""
        if self.table.class_of.size == 0:
            return np.full(self.rows.size, -1)
        return np.asarray(np.where(self.rows.part >= 0, self.table.class_of[self.rows.part], -1))


def _rows(table: CatalogueTable, kept: Kept, strangers: Rows, model: MeasuringModel, used: bool) -> Rows:
    sold_share = math.log1p(-model.stranger_prior - model.unexplained_prior)
    regrind = model.regrind_prior if used else 0.0
    made = part_rows(table, kept.made, Kind.MADE, table.log_prior[kept.made] + sold_share + math.log1p(-regrind))
    several = [made]
    if regrind > 0:
        prior = table.log_prior[kept.reground] + sold_share + math.log(regrind)
        several.append(part_rows(table, kept.reground, Kind.REGROUND, prior))
    return join(*several, strangers, nonsense_row(model))


def _applies(rows: Rows, slips: Sequence[Hypothesis], table: CatalogueTable) -> Floats:
    """Log of whether each hypothesis applies to each row: (H, K)."""
    allowed = np.zeros((len(slips), rows.size))
    for i, slip in enumerate(slips):
        if slip.only_ratio is not None and slip.only_ratio_lobe is not None:
            own = np.where(rows.part >= 0, table.ratio[rows.part, slip.only_ratio_lobe], np.nan)
            allowed[i] = np.where(np.abs(own - slip.only_ratio) < 1e-6, 0.0, -np.inf)
        if slip.slip is not None:
            allowed[i, rows.kind == Kind.NONSENSE] = -np.inf
    return allowed


_LONG_SHOT = 16.0
"""Rows and slips this many nats below the best of the rough reckoning are let go before the exact one: among a hundred
callers they held no more than 1e-5 of the posterior together."""


_UNLIKELY_HAND = 10.0
"""The same for a slip made by a hand of one kind: it moved no probability of 150 callers by more than 1e-4."""


_MOST_WEIGHED = 100_000
"""The most rows times slips times hands that are worked out exactly; only an absurd submission comes near it."""


_STRANGER_SHOT = 10.0
"""Strangers this near the likeliest of them stay however unlikely they all are: an answer is weighed against them."""


def _near(log_joint: Floats, rows: Rows, patience: float) -> NDArray[np.bool_]:
    """Whether rows, or cells of them, come near the best, or strangers near theirs; nonsense always does: (..., K)."""
    strangers = rows.kind == Kind.STRANGER
    best_stranger = log_joint[..., strangers].max(initial=-np.inf)
    near = log_joint >= log_joint.max() - _LONG_SHOT - patience
    near |= strangers & (log_joint >= best_stranger - _STRANGER_SHOT - patience)
    return np.asarray(near | (rows.kind == Kind.NONSENSE))


def _lasting(log_joint: Floats, rows: Rows, most: int, patience: float) -> Ints:
    """Up to `most` rows that come near enough, and always the last one, nonsense: there is always something to say."""
    best = log_joint.max(axis=0)
    near = _near(best, rows, patience)
    best[-1] = np.inf
    order = np.argsort(-best, kind="stable")[: max(most, 2)]
    return np.sort(order[near[order]])


_FALLS_SHORT = 3.0
"""Nats by which the best may fall short of its rough reckoning, as it does by more for one caller in thirty."""
_MORE_PATIENCE, _MOST_PATIENCE = 20.0, 60.0


def weigh(
    table: CatalogueTable,
    submission: Submission,
    model: MeasuringModel,
    tables: TableEvidence | None = None,
    watch: Watch = unwatched,
) -> Posterior:
    """The posterior of `submission`, and of a bench's lift `tables`, over parts, strangers, slips and hands.

    What is let go is so many nats behind the best of a rough reckoning, which is kind to what fits badly. Where that
    best turns out to have been promised too much, what is true may have been let go for it: then all is weighed again
    with that much more patience.
    """
    with watch(READINGS):
        asked = _Asked.of(table, submission, model, tables)
    patience = 0.0
    while True:
        posterior, short = _weighed(asked, patience, watch)
        if short <= patience + _FALLS_SHORT or patience >= _MOST_PATIENCE:
            return posterior
        patience = min(short, patience + _MORE_PATIENCE)


@dataclass(frozen=True, eq=False)
class _Asked:
    """A submission as it is put to a catalogue: every slip that could have been made, every hand, and their entries."""

    table: CatalogueTable
    model: MeasuringModel
    used: bool
    source: EntrySource
    slips: tuple[Hypothesis, ...]
    hands: tuple[Hand, ...]
    looked: Mapping[int, ByHand]
    """The hands that a first look is taken for, by their places: the likeliest and the roughest."""
    log_prior: Floats

    @classmethod
    def of(
        cls, table: CatalogueTable, submission: Submission, model: MeasuringModel, tables: TableEvidence | None
    ) -> _Asked:
        source = EntrySource(submission, model, table.families, tables)
        slips = tuple(hypotheses(submission, model, table.rocker_ratios, tuple(LOBES)))
        every_hand = hands(submission, model)
        log_prior = np.array([slip.log_prior for slip in slips])
        looked = {}
        for a in (0, max(range(len(every_hand)), key=lambda a: every_hand[a].level)):
            lists = EntryLists.holding([source.of(slip, every_hand[a].level) for slip in slips])
            looked[a] = ByHand(lists, log_prior + every_hand[a].log_share)
        return cls(table, model, is_used(submission), source, slips, every_hand, looked, log_prior)

    def entries(self, slip: int, hand: int) -> tuple[Entry, ...]:
        """What was read under a slip by a hand."""
        if hand in self.looked:
            return self.looked[hand].hypotheses.entries(slip)
        return self.source.of(self.slips[slip], self.hands[hand].level)


def _weighed(asked: _Asked, patience: float, watch: Watch) -> tuple[Posterior, float]:
    """(the posterior, by how many nats its best cell falls short of the best of the rough reckoning).

    Everything is let go only where it is `patience` nats further behind than usually.
    """
    table, model, used, looked = asked.table, asked.model, asked.used, list(asked.looked.values())
    with watch(SCREENING):
        kept = screen(table, looked, model, used, patience)
    with watch(STRANGERS):
        strangers, of_strangers = likely_strangers(table, kept, looked, model, used, patience)
    chosen = np.union1d(kept.hypotheses, of_strangers)
    rows = _rows(table, kept, strangers, model, used)
    applies = _applies(rows, [asked.slips[i] for i in chosen], table)
    prior = applies + asked.log_prior[chosen][:, None] + rows.log_prior
    entries = [[asked.entries(int(i), a) for i in chosen] for a in range(len(asked.hands))]
    shares = np.array([hand.log_share for hand in asked.hands])[:, None, None]
    every_hand = EntryLists.holding([h for of_hand in entries for h in of_hand])
    with watch(ROUGH):
        by_hand = rough_log_likelihood(table, rows, every_hand, model, used)
    by_hand = by_hand.reshape(len(asked.hands), *prior.shape) + shares + prior
    rough = log_sum_exp(by_hand, axis=0)
    # what is written always stays a hypothesis: nonsense is judged under it
    likely = np.union1d([0], np.flatnonzero(rough.max(axis=1) >= rough.max() - _LONG_SHOT - patience))
    lasting = _lasting(rough, rows, _MOST_WEIGHED // (likely.size * len(asked.hands)), patience)
    rows, log_world = rows.take(lasting), shares + prior[np.ix_(likely, lasting)]
    likely_entries = tuple(tuple(of_hand[i] for i in likely) for of_hand in entries)
    cells = by_hand[:, likely][:, :, lasting]
    told = _worth_telling(cells, rows, patience)
    near = _near(cells, rows, patience)
    wears = [hand.wear if used else 0.0 for hand in asked.hands]
    with watch(EXACT):
        joint = log_world + _likelihoods(table, rows, likely_entries, told, near, wears, model)
    # the largest is taken off first: beside a huge misfit a log of the sum would be lost in rounding
    relative = joint - joint.max()
    log_weight = relative - log_sum_exp(relative.reshape(1, -1), axis=1)
    slips = tuple(asked.slips[i] for i in chosen[likely])
    found = Posterior(table, model, used, rows, slips, asked.hands, likely_entries, log_world, log_weight)
    return found, float(by_hand.max() - joint.max())


def _worth_telling(log_joint: Floats, rows: Rows, patience: float) -> NDArray[np.bool_]:
    """Whether a hand matters to a slip, for the answer or for what strangers are worth beside it: (A, H)."""
    strangers = log_joint[:, :, rows.kind == Kind.STRANGER].max(axis=2, initial=-np.inf)
    answer = log_joint.max(axis=2) >= log_joint.max() - _UNLIKELY_HAND - patience
    return np.asarray(answer | (strangers >= strangers.max() - _STRANGER_SHOT - patience))


def _likelihoods(
    table: CatalogueTable,
    rows: Rows,
    entries: Sequence[Sequence[tuple[Entry, ...]]],
    told: NDArray[np.bool_],
    near: NDArray[np.bool_],
    wears: Sequence[float],
    model: MeasuringModel,
) -> Floats:
    """The log-likelihood of the hands' `entries` (A, H) under the rows: (A, H, K).

    Where a hand is not `told` (A, H) to matter to a hypothesis, minus infinity, but for nonsense, which costs nothing.
    Where valve lifts share the rocker ratio's error a cell costs so much that only those `near` (A, H, K) are worked
    out.
    """
    found = np.full((*told.shape, rows.size), -np.inf)
    nonsense = np.flatnonzero(rows.kind == Kind.NONSENSE)
    for worth, some in ((told, np.arange(rows.size)), (~told, nonsense)):
        pairs = np.argwhere(worth)
        # decided for all of them together, as it is for one call
        within = within_means(EntryLists.holding([entries[a][h] for a, h in pairs]), some.size, model)
        of_call = np.zeros(len(pairs), np.int64)
        if shares_ratio(within):
            of_call = np.arange(len(pairs))
        elif len(tools_on_lobes(within)) > 1:
            # the finest reading sets the grid, which a rough hand would make far too long
            of_call = pairs[:, 0]
        for call in np.unique(of_call):
            here = np.flatnonzero(of_call == call)
            own = some[near[tuple(pairs[call])][some]] if shares_ratio(within) else some
            factors = [wears[a] for a, _ in pairs[here]]
            value = log_likelihood(table, rows.take(own), within.at(within.of[here]), model, factors)
            for (a, h), one in zip(pairs[here], value, strict=True):
                found[a, h, own] = one
    return found


def log_evidence(
    table: CatalogueTable,
    submission: Submission,
    part: int,
    model: MeasuringModel,
    source: Source,
    kept: Ints | None = None,
) -> Floats:
    """Log of prior times likelihood of each slip hypothesis, if the shaft is `part` (an index), as made or reground.

    Every hand and level of wear is summed over, and the chance that the readings mean nothing. (H,), or those at
    `kept`; their sum is the evidence.
    """
    used = is_used(submission)
    every = hypotheses(submission, model, table.rocker_ratios, tuple(LOBES))
    chosen = every if kept is None else [every[i] for i in kept]
    regrind = model.regrind_prior if used else 0.0
    only = np.array([part])
    several = [part_rows(table, only, Kind.MADE, np.array([math.log1p(-regrind)]))]
    if regrind > 0:
        several.append(part_rows(table, only, Kind.REGROUND, np.array([math.log(regrind)])))
    rows = join(*several, nonsense_row(model))
    prior = _applies(rows, chosen, table) + np.array([h.log_prior for h in chosen])[:, None] + rows.log_prior
    all_hands = hands(submission, model)
    entries = [source.of(h, hand.level) for hand in all_hands for h in chosen]
    wears = [hand.wear if used else 0.0 for hand in all_hands for _ in chosen]
    likelihood = log_likelihood(table, rows, entries, model, wears).reshape(len(all_hands), len(chosen), rows.size)
    joint = likelihood + np.array([hand.log_share for hand in all_hands])[:, None, None] + prior
    return log_sum_exp(joint, axis=(0, 2))

"""Which rows and which slips are worth working out: a quick look at everything before the likelihood.

Parts are looked at box by box (`part_boxes`), and only the parts of boxes that come near enough one by one. All is
looked at for the likeliest hand and for the roughest. `rough_fit` looks closer at what is left, and the likelihood
works out what is left by that. `test_what_is_let_go.py` holds what is lost.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from service.domain.arrays import Floats, Ints
from service.identification.catalogue_table.part_boxes import Shown
from service.identification.catalogue_table.rows import Kind, part_rows
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.entries.entries import Entry, GroupKey, Truth
from service.identification.entries.entry_lists import EntryLists
from service.identification.likelihood.claims import claim_log_bound, claim_log_density
from service.identification.measuring.model import MeasuringModel
from service.identification.shortlist.quick_look import QuickLook, looks, with_ratio_error

_CLAIMS_LOOSE = 1.5
_ROW_CUT = 16.0
_SLIP_CUT = 14.0
"""Less than the cut of rows: a slip's best part is never let go before it."""
_CORE_CUT = 12.0
_FIRST_BOXES = 4
"""So many of the likeliest boxes of each size are opened first, for the sake of something to measure others by."""
_WORTH_NARROWING = 0.8
_AT_ONCE = 4096
_REACH = 8.0
"""Standard deviations of the likeliest hand's; lifts that are themselves some apart are a rough hand's, if alike."""
_WEAR_REACH = 4.0
_UNLIKE_MM = 0.1
_MOST_LIFTS = 200
_LIFT_STEP_MM = 0.02


@dataclass(frozen=True, eq=False)
class Kept:
    """What is worth working out. `lift_mm` (lowest, highest, step) is set where both kinds of
    lobe show a lift that may be one and the same."""

    hypotheses: Ints
    made: Ints
    reground: Ints
    cores: Ints
    lift_mm: tuple[float, float, float] | None


@dataclass(frozen=True, eq=False)
class ByHand:
    """Every hypothesis' entries as a hand of one kind reads them, and the log priors of both together (H,)."""

    hypotheses: EntryLists
    log_prior: Floats


@dataclass(frozen=True, eq=False)
class _Scores:
    """What `parts` are worth as made and as reground, each (R, P), under `hypotheses`, R of the hands' together."""

    hypotheses: Ints
    parts: Ints
    made: Floats
    reground: Floats

    @property
    def either(self) -> Floats:
        """The better of the two."""
        return np.maximum(self.made, self.reground)

    def take(self, index: Ints) -> _Scores:
        """The parts at `index`."""
        return _Scores(self.hypotheses, self.parts[index], self.made[:, index], self.reground[:, index])


def screen(
    table: CatalogueTable, hands: Sequence[ByHand], model: MeasuringModel, used: bool, patience: float = 0.0
) -> Kept:
    """The rows and hypotheses worth working out for any of `hands`, the likeliest first.

    They may be `patience` nats further behind the best than usually.
    """
    slips = len(hands[0].hypotheses)
    every = _Question.of(table, hands, model, used)
    scores, best = _Screening(every, slips, patience).near_parts()
    kept = _near_slips(scores.hypotheses, scores.either, slips, best - patience)
    of_kept = np.isin(scores.hypotheses % slips, kept)
    near_made, near_reground = (
        side[of_kept].max(axis=0) >= best - _ROW_CUT - patience for side in (scores.made, scores.reground)
    )
    cores = table.cores_with_parts
    if cores.size:
        worth = every.among(np.flatnonzero(np.isin(every.hypotheses % slips, kept))).worth_of_cores(cores)
        cores = cores[worth >= worth.max() - _CORE_CUT - patience]
    return Kept(
        hypotheses=kept,
        made=np.sort(scores.parts[near_made]),
        reground=np.sort(scores.parts[near_reground]),
        cores=cores,
        lift_mm=_both_lifts(with_ratio_error(hands[0].hypotheses, model).entries(0), model),
    )


def _near_slips(hypotheses: Ints, worth: Floats, slips: int, best: float) -> Ints:
    """The slips that come near `best` under any hand, and the plain reading; `worth` (R, K) of the `hypotheses` (R,).

    The plain reading stays: a slip may also turn a shaft nobody sells into a plain stranger.
    """
    of_slips = np.full(slips, -np.inf)
    np.maximum.at(of_slips, hypotheses % slips, worth.max(axis=1, initial=-np.inf))
    return np.union1d([0], np.flatnonzero(of_slips >= best - _SLIP_CUT)).astype(np.int64)


@dataclass(frozen=True, eq=False)
class _Question:
    """Some of the hypotheses of all hands, (R,), and what a look at parts needs to know of them."""

    table: CatalogueTable
    hypotheses: Ints
    look: QuickLook
    log_prior: Floats
    as_made: float
    as_reground: float
    claim_bounds: Mapping[GroupKey, Floats]

    @classmethod
    def of(cls, table: CatalogueTable, hands: Sequence[ByHand], model: MeasuringModel, used: bool) -> _Question:
        """All of them."""
        look = QuickLook.of([hand.hypotheses for hand in hands], model)
        return cls(
            table,
            np.arange(look.size),
            look,
            np.concatenate([hand.log_prior + hand.hypotheses.own_log_density for hand in hands]),
            math.log1p(-model.regrind_prior),
            math.log(model.regrind_prior) if used and model.regrind_prior > 0 else -math.inf,
            {key: claim_log_bound(table, key, variants.sets, model) for key, variants in look.claims.items()},
        )

    def among(self, index: Ints) -> _Question:
        """Those at `index`."""
        look, model = self.look.among(index), self.look.model
        bounds = {key: claim_log_bound(self.table, key, v.sets, model) for key, v in look.claims.items()}
        log_prior = self.log_prior[index]
        return replace(self, hypotheses=self.hypotheses[index], look=look, log_prior=log_prior, claim_bounds=bounds)

    def worth(self, shown: Shown, log_prior: Floats) -> tuple[Floats, Floats]:
        """What parts, or boxes of them, are worth as made and as reground before any claim: each (R, K)."""
        common = self.look.cores(shown)[self.look.core_view_of]
        common += self.log_prior[:, None] + log_prior
        made, reground = self.look.lobes(shown)
        made += common + self.as_made
        reground += common + self.as_reground
        return made, reground

    def worth_of_cores(self, cores: Ints) -> Floats:
        """What each core is worth under the best of the hypotheses, whatever its parts: (C,)."""
        of_views = self.look.cores(self.table.shown_by_cores(cores))
        prior = np.full(of_views.shape[0], -np.inf)
        np.maximum.at(prior, self.look.core_view_of, self.log_prior)
        return np.asarray((of_views + prior[:, None]).max(axis=0))

    def of_parts(self, parts: Ints, least: float) -> _Scores:
        """What parts are worth; less those that no claim can bring to `least`."""
        made, reground = self.worth(self.table.shown_by(parts), self.table.log_prior[parts])
        some = _Scores(self.hypotheses, parts, made, reground)
        some = some.take(np.flatnonzero(some.either.max(axis=0) >= least))
        rows = part_rows(self.table, some.parts, Kind.MADE, np.zeros(some.parts.size))
        for key, variants in self.look.claims.items() if rows.size else ():
            value = claim_log_density(self.table, rows, key, variants.sets, self.look.model)
            claimed = variants.spread((value - self.claim_bounds[key][:, None]) / _CLAIMS_LOOSE**2)
            np.add(some.made, claimed, out=some.made)
            np.add(some.reground, claimed, out=some.reground)
        return some


class _Screening:
    """A look at all parts, which lets go of hypotheses and boxes as it comes nearer to them."""

    def __init__(self, every: _Question, slips: int, patience: float) -> None:
        self._every, self._slips, self._patience = every, slips, patience
        self._best = -math.inf

    def near_parts(self) -> tuple[_Scores, float]:
        """(the parts that come near the best under a hypothesis that does, what the best is worth)."""
        if self._every.table.box_levels:
            # a look at the likeliest boxes alone first, for the sake of something to measure all others by
            self._look(lambda worth: np.argsort(-worth, kind="stable")[:_FIRST_BOXES])
        return self._look(lambda worth: np.flatnonzero(worth >= self._best - _ROW_CUT - self._patience)), self._best

    def _look(self, chosen: Callable[[Floats], Ints]) -> _Scores:
        """The parts in those boxes of each size that are chosen by what the boxes are worth."""
        table, asked = self._every.table, self._every
        levels = table.box_levels
        inside = np.arange(levels[0].log_prior.size if levels else len(table.part_numbers))
        for level in levels:
            worth = np.maximum(*asked.worth(level.shown.take(inside), level.log_prior[inside]))
            asked, worth = self._narrowed(asked, worth)
            inside = level.held_by(inside[chosen(worth.max(axis=0))])
        found = []
        for begin in range(0, inside.size, _AT_ONCE):
            parts = table.box_order[inside[begin : begin + _AT_ONCE]]
            some = asked.of_parts(parts, self._best - _ROW_CUT - self._patience)
            either = some.either
            self._best = max(self._best, float(either.max(initial=-np.inf)))
            found.append(some.take(np.flatnonzero(either.max(axis=0) >= self._best - _ROW_CUT - self._patience)))
        return _joined(asked.hypotheses, found)

    def _narrowed(self, asked: _Question, worth: Floats) -> tuple[_Question, Floats]:
        """Less the slips that no part can make one of those that are kept, where these are many."""
        near = _near_slips(asked.hypotheses, worth, self._slips, self._best - self._patience)
        stay = np.flatnonzero(np.isin(asked.hypotheses % self._slips, near))
        if stay.size > _WORTH_NARROWING * asked.hypotheses.size:
            return asked, worth
        return asked.among(stay), worth[stay]


def _joined(hypotheses: Ints, several: Sequence[_Scores]) -> _Scores:
    if not several:
        nothing = np.zeros((hypotheses.size, 0))
        return _Scores(hypotheses, np.zeros(0, np.int64), nothing, nothing)
    return _Scores(
        hypotheses,
        np.concatenate([some.parts for some in several]),
        np.concatenate([some.made for some in several], axis=1),
        np.concatenate([some.reground for some in several], axis=1),
    )


def _both_lifts(entries: Sequence[Entry], model: MeasuringModel) -> tuple[float, float, float] | None:
    """(lowest, highest, step) of a grid over the lift of a shaft whose two kinds of lobe are alike.

    None where not both kinds show a lift, or where the lifts are too far apart to be one.
    """
    of_lobes = [looks([e for e in entries if e.group[:2] == ("lobe", lobe)]) for lobe in (0, 1)]
    if any(Truth.LIFT not in found for found in of_lobes):
        return None
    lifts = [found[Truth.LIFT].mean for found in of_lobes]
    sds = [math.sqrt(found[Truth.LIFT].variance) for found in of_lobes]
    if max(lifts) - min(lifts) > 6 * math.hypot(*sds) + _UNLIKE_MM:
        return None
    step = max(_LIFT_STEP_MM, 0.25 * min(sds))
    reach = _REACH * max(sds)
    if max(lifts) - min(lifts) + 2 * reach > _MOST_LIFTS * step:
        # one lift is far coarser than the other, which alone says where both can be
        lifts, reach = [lifts[int(np.argmin(sds))]], _REACH * min(sds)
    return min(lifts) - reach, max(lifts) + reach + _WEAR_REACH * model.nose_wear_mean, step

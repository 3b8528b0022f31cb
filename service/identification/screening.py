"""Which rows and which slips are worth working out: a quick look at everything before the likelihood.

Parts are looked at box by box (`part_boxes`), and only the parts of boxes that come near enough one by one. All is
looked at for the likeliest hand and for the roughest. `rough_fit` looks closer at what is left, and the likelihood
works out what is left by that. `test_what_is_let_go.py` holds what is lost.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.identification.claims import claim_log_bound, claim_log_density
from service.identification.entries import Entry, Truth
from service.identification.entry_lists import EntryLists
from service.identification.measuring import MeasuringModel
from service.identification.part_boxes import Shown
from service.identification.quick_look import QuickLook, looks
from service.identification.rows import Kind, part_rows
from service.identification.table import CatalogueTable, Floats, Ints

_CLAIMS_LOOSE = 1.5
_ROW_CUT = 16.0
_SLIP_CUT = 14.0
"""Less than the cut of rows: a slip's best part is never let go before it."""
_CORE_CUT = 12.0
_FIRST_BOXES = 4
"""So many of the likeliest boxes of each size are opened first, for the sake of something to measure others by."""
_AT_ONCE = 4096
_REACH = 4.0
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
    """What `parts` are worth as made and as reground, each (R, P): R are the hypotheses under every hand."""

    parts: Ints
    made: Floats
    reground: Floats

    @property
    def either(self) -> Floats:
        """The better of the two."""
        return np.maximum(self.made, self.reground)

    def take(self, index: Ints) -> _Scores:
        """The parts at `index`."""
        return _Scores(self.parts[index], self.made[:, index], self.reground[:, index])


def screen(
    table: CatalogueTable, hands: Sequence[ByHand], model: MeasuringModel, used: bool, patience: float = 0.0
) -> Kept:
    """The rows and hypotheses worth working out for any of `hands`, the likeliest first.

    They may be `patience` nats further behind the best than usually.
    """
    screening = _Screening(table, hands, model, used, patience)
    n_h = len(hands[0].hypotheses)
    scores, best = screening.near_parts()
    of_slips = scores.either.max(axis=1, initial=-np.inf).reshape(len(hands), n_h).max(axis=0)
    # a slip may also turn a shaft nobody sells into a plain stranger, so the best of a plain core counts too
    kept = np.union1d([0], np.flatnonzero(of_slips >= best - _SLIP_CUT - patience))
    of_kept = np.isin(np.arange(n_h * len(hands)) % n_h, kept)
    near_made, near_reground = (
        side[of_kept].max(axis=0) >= best - _ROW_CUT - patience for side in (scores.made, scores.reground)
    )
    return Kept(
        hypotheses=kept.astype(np.int64),
        made=np.sort(scores.parts[near_made]),
        reground=np.sort(scores.parts[near_reground]),
        cores=screening.near_cores(of_kept),
        lift_mm=_both_lifts(screening.look.likeliest, model),
    )


class _Screening:
    """One look at a catalogue."""

    def __init__(
        self, table: CatalogueTable, hands: Sequence[ByHand], model: MeasuringModel, used: bool, patience: float
    ) -> None:
        self._table, self._model, self._patience = table, model, patience
        self.look = QuickLook([hand.hypotheses for hand in hands], model)
        self._log_prior = np.concatenate([hand.log_prior + hand.hypotheses.own_log_density for hand in hands])
        self._as_made = math.log1p(-model.regrind_prior)
        self._as_reground = math.log(model.regrind_prior) if used and model.regrind_prior > 0 else -math.inf
        self._claims = {
            key: (variants, claim_log_bound(table, key, variants.sets, model))
            for key, variants in self.look.groups.items()
            if key[0] in ("separation", "duration", "teeth", "family", "table")
        }

    def near_parts(self) -> tuple[_Scores, float]:
        """(the parts that come near the best under any hypothesis, what the best is worth)."""
        table, best = self._table, -np.inf
        if table.box_levels:
            best = self._near(best, _FIRST_BOXES)[1]
        return self._near(best, None)

    def _near(self, best: float, first: int | None) -> tuple[_Scores, float]:
        """The same, where `best` is known to be there; of the likeliest `first` boxes of each size alone."""
        table = self._table
        levels = table.box_levels
        inside = np.arange(levels[0].log_prior.size if levels else len(table.part_numbers))
        for level in levels:
            made, reground = self._worth(level.shown.take(inside), level.log_prior[inside])
            worth = np.maximum(made, reground)
            if first is not None:
                inside = inside[np.argsort(-worth.max(axis=0), kind="stable")[:first]]
            else:
                inside = inside[worth.max(axis=0) >= best - _ROW_CUT - self._patience]
            inside = level.held_by(inside)
        found = []
        for begin in range(0, inside.size, _AT_ONCE):
            some = self._of_parts(table.box_order[inside[begin : begin + _AT_ONCE]], best)
            best = max(best, float(some.either.max(initial=-np.inf)))
            found.append(self._near_among(some, best))
        return _joined(found, self._log_prior.size), best

    def _near_among(self, some: _Scores, best: float) -> _Scores:
        return some.take(np.flatnonzero(some.either.max(axis=0) >= best - _ROW_CUT - self._patience))

    def _of_parts(self, parts: Ints, best: float) -> _Scores:
        """What parts are worth, less those that no claim can bring near `best`."""
        made, reground = self._worth(self._table.shown_by(parts), self._table.log_prior[parts])
        some = self._near_among(_Scores(parts, made, reground), best)
        rows = part_rows(self._table, some.parts, Kind.MADE, np.zeros(some.parts.size))
        for key, (variants, most) in self._claims.items() if rows.size else ():
            value = claim_log_density(self._table, rows, key, variants.sets, self._model) - most[:, None]
            claimed = variants.spread(value / _CLAIMS_LOOSE**2)
            np.add(some.made, claimed, out=some.made)
            np.add(some.reground, claimed, out=some.reground)
        return some

    def _worth(self, shown: Shown, log_prior: Floats) -> tuple[Floats, Floats]:
        """What parts, or boxes of them, are worth as made and as reground before any claim: each (R, K)."""
        common = self.look.cores(shown)[self.look.core_view_of]
        common += self._log_prior[:, None] + log_prior
        made, reground = self.look.lobes(shown)
        made += common + self._as_made
        reground += common + self._as_reground
        return made, reground

    def near_cores(self, of_kept: NDArray[np.bool_]) -> Ints:
        """The cores that come near the best of them, under the hypotheses that are kept (R,)."""
        cores = self._table.cores_with_parts
        if not cores.size:
            return cores
        of_views = self.look.cores(self._table.shown_by_cores(cores))
        prior = np.full(of_views.shape[0], -np.inf)
        np.maximum.at(prior, self.look.core_view_of[of_kept], self._log_prior[of_kept])
        worth = (of_views + prior[:, None]).max(axis=0)
        return np.asarray(cores[worth >= worth.max() - _CORE_CUT - self._patience])


def _joined(several: Sequence[_Scores], hypotheses: int) -> _Scores:
    if not several:
        nothing = np.zeros((hypotheses, 0))
        return _Scores(np.zeros(0, np.int64), nothing, nothing)
    return _Scores(
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
    return min(lifts) - reach, max(lifts) + reach + _REACH * model.nose_wear_mean, step

"""How well parts, or whole boxes of them, go with what was read: every reading by itself, and kindly.

A first look, cheap enough to be taken at everything: spreads are `_LOOSE` times too wide, and a misfit grows no faster
than a one-sided error's. Of a box the part of it is looked at that fits a reading best, so that no part in it is worth
more than the box. `screening` lets go by it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from service.domain.arrays import Floats, Ints
from service.identification.catalogue_table import part_boxes
from service.identification.catalogue_table.part_boxes import Shown
from service.identification.entries.entries import Entry, GroupKey, Truth
from service.identification.entries.entry_lists import EntryLists
from service.identification.likelihood.claims import CLAIMS
from service.identification.likelihood.variants import Variants, grouped, spread_over
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.distinct import distinct_places

_LOOSE = 1.5
_UNREAD = 0.0
_UNSTATED = -2.0
"""A reading of what a core does not state: neither for it nor much against it."""
_ABSENT_LOBE_VARIANCE = 1.0
_WIDTHS = ("journal", "length", "lobe")
_TAIL_BEGINS = 2.1
"""Spreads from which a misfit is taken to grow no faster than an exponential's, whose mean is at most 0.7 of them."""


@dataclass(frozen=True)
class Look:
    """One number read off a lobe or a core in a quick look: its mean, and the variance of everything about it."""

    mean: float
    variance: float


def _expected(entries: Sequence[Entry]) -> Look:
    """The entries of one truth as one number, one-sided errors taken at their mean."""
    total = weighted = 0.0
    for e in entries:
        weight = 1 / (e.sd**2 + e.tail**2 + 2.2 * e.zero_sd**2)
        total += weight
        weighted += weight * (e.mean - e.sign * e.tail)
    return Look(weighted / total, 1 / total)


def looks(entries: Sequence[Entry]) -> dict[Truth, Look]:
    """What one group shows; of a lobe the base circle and the lift, or the height where there is no lift."""
    of_truth: dict[Truth, list[Entry]] = {}
    for e in entries:
        of_truth.setdefault(e.truth, []).append(e)
    found = {truth: _expected(several) for truth, several in of_truth.items()}
    if Truth.BASE in found and Truth.HEIGHT in found:
        height, base, known = found[Truth.HEIGHT], found[Truth.BASE], found.get(Truth.LIFT)
        lift = Look(height.mean - base.mean, height.variance + base.variance)
        if known is not None:
            weight = 1 / known.variance + 1 / lift.variance
            lift = Look((known.mean / known.variance + lift.mean / lift.variance) / weight, 1 / weight)
        found[Truth.LIFT] = lift
    if Truth.LIFT in found:
        # beside it the height says nothing more than the base circle does
        found.pop(Truth.HEIGHT, None)
    return found


def tailed(spreads: Floats) -> Floats:
    """The log of how well a misfit of so many spreads (>= 0) goes: a normal's, an exponential's where it is large."""
    near = np.minimum(spreads, _TAIL_BEGINS)
    return np.asarray(near * (0.5 * near - spreads))


@dataclass(frozen=True, eq=False)
class _Sight:
    """What each variant of a group shows of one truth, as columns (V, 1); a mean of NaN where it shows nothing.

    `usual` is the likeliest hand's variance, beside which a rougher one's density is lower.
    """

    mean: Floats
    variance: Floats
    usual: Floats

    def take(self, variants: Ints) -> _Sight:
        """Some of the variants."""
        variance = self.variance[variants]
        usual = variance if self.usual is self.variance else self.usual[variants]
        return _Sight(self.mean[variants], variance, usual)

    def score(self, low: Floats, high: Floats, own: Floats | float) -> Floats:
        """How well truths between `low` and `high`, of variance `own`, go with it: (V, K)."""
        return self._beside_usual(self._fit(self._away(low, high), own), own)

    def scores(self, low: Floats, high: Floats, own: Floats | float) -> tuple[Floats, Floats]:
        """The same, and where the truth may as well be smaller, by any amount: each (V, K)."""
        away = self._away(low, high)
        found = self._fit(away, own)
        smaller = np.where(away > 0, found, 0.0)
        return self._beside_usual(found, own), self._beside_usual(smaller, own)

    def _away(self, low: Floats, high: Floats) -> Floats:
        return np.asarray(self.mean - (low if low is high else np.clip(self.mean, low, high)))

    def _fit(self, away: Floats, own: Floats | float) -> Floats:
        return tailed(np.abs(away) * (1 / (_LOOSE * np.sqrt(self.variance + own))))

    def _beside_usual(self, fit: Floats, own: Floats | float) -> Floats:
        """As densities beside the likeliest hand's; what shows nothing says nothing."""
        if self.usual is not self.variance:
            fit -= 0.5 * np.log((self.variance + own) / (self.usual + own))
        fit[np.isnan(self.mean[:, 0])] = _UNREAD
        return fit


@dataclass(frozen=True, eq=False)
class _Group:
    """One journal, the length, or one lobe: its variants, and what they show of each truth."""

    variants: Variants
    sights: dict[Truth, _Sight]

    @classmethod
    def of(cls, variants: Variants, n_h: int) -> _Group:
        """`variants` over the hypotheses of every hand, `n_h` a hand, the likeliest hand's first."""
        shown = [looks(s) for s in variants.sets]
        first = [int(np.flatnonzero(variants.of == v)[0]) for v in range(len(shown))]
        usually = [shown[variants.of[h % n_h]] for h in first]
        several_hands = variants.of.size > n_h
        sights = {}
        for truth in {truth for found in shown for truth in found}:
            mean = np.array([[found[truth].mean if truth in found else np.nan] for found in shown])
            variance = np.array([[found[truth].variance if truth in found else 1.0] for found in shown])
            usual = np.array([[found[truth].variance if truth in found else 1.0] for found in usually])
            sights[truth] = _Sight(mean, variance, usual if several_hands else variance)
        return cls(variants, sights)

    def among(self, hypotheses: Ints) -> _Group:
        """What some of the hypotheses hold."""
        variants, held = self.variants.among(hypotheses)
        return _Group(variants, {truth: sight.take(held) for truth, sight in self.sights.items()})


@dataclass(frozen=True, eq=False)
class QuickLook:
    """What R hypotheses hold to have been read: the widths that parts show, and what else was said or counted."""

    size: int
    widths: Mapping[GroupKey, _Group]
    claims: Mapping[GroupKey, Variants]
    model: MeasuringModel

    @classmethod
    def of(cls, hypotheses: Sequence[EntryLists], model: MeasuringModel) -> QuickLook:
        """What every hypothesis under every hand holds, as many a hand, the likeliest hand's first."""
        own = [with_ratio_error(lists, model) for lists in hypotheses]
        groups = grouped(EntryLists.holding([entries for lists in own for entries in lists]))
        widths = {key: _Group.of(v, len(own[0])) for key, v in groups.items() if key[0] in _WIDTHS}
        claims = {key: v for key, v in groups.items() if key[0] in CLAIMS}
        return cls(len(own) * len(own[0]), widths, claims, model)

    def among(self, hypotheses: Ints) -> QuickLook:
        """What some of the hypotheses hold."""
        widths = {key: group.among(hypotheses) for key, group in self.widths.items()}
        claims = {key: variants.among(hypotheses)[0] for key, variants in self.claims.items()}
        return QuickLook(
            hypotheses.size,
            {key: group for key, group in widths.items() if group.variants.sets},
            {key: variants for key, variants in claims.items() if variants.sets},
            self.model,
        )

    @cached_property
    def _of_core(self) -> dict[GroupKey, _Group]:
        return {key: group for key, group in self.widths.items() if key[0] != "lobe"}

    @cached_property
    def _core_views(self) -> tuple[Ints, Ints]:
        places = [group.variants.of for group in self._of_core.values()]
        of_core = np.stack(places, axis=1) if places else np.zeros((self.size, 1), np.int64)
        first, of = distinct_places(of_core)
        return of_core[first], of

    @property
    def core_view_of(self) -> Ints:
        """Which view of the cores is each hypothesis' own: (R,)."""
        return self._core_views[1]

    def cores(self, shown: Shown) -> Floats:
        """How well each core, or each box's, goes with the journals and the length: (views, K).

        Hypotheses that read those alike share a view, see `core_view_of`.
        """
        views = self._core_views[0]
        total = np.zeros((views.shape[0], shown.count))
        for column, (key, group) in enumerate(self._of_core.items()):
            if key[0] == "journal":
                k = int(str(key[1]))
                value = self._journal(shown, k, group.sights[Truth.JOURNAL])
            else:
                stated = part_boxes.LENGTH, part_boxes.LENGTH_UNSTATED
                value = _stated(shown, *stated, group.sights[Truth.LENGTH], self.model.length_making_sd**2, 0.0)
            total += spread_over(value, views[:, column])
        return total

    def _journal(self, shown: Shown, k: int, sight: _Sight) -> Floats:
        wear = self.model.journal_wear_mean
        own = shown.high[part_boxes.JOURNAL_SD + k] ** 2 + 2 * wear**2
        own = np.where(np.isfinite(own), own, 1.0)
        return _stated(shown, part_boxes.JOURNAL + k, part_boxes.JOURNAL_UNSTATED + k, sight, own, wear)

    def lobes(self, shown: Shown) -> tuple[Floats, Floats]:
        """How well parts, or boxes of them, go with the lobes, as made and as reground: each (R, K)."""
        model = self.model
        made, reground = np.zeros((self.size, shown.count)), np.zeros((self.size, shown.count))
        for key, group in self.widths.items():
            if key[0] != "lobe":
                continue
            k = int(str(key[1]))
            low, high = ((side[part_boxes.BASE + k], side[part_boxes.LIFT + k]) for side in (shown.low, shown.high))
            absent = shown.high[part_boxes.LOBE_ABSENT + k]
            wear = 2 * model.nose_wear_mean**2 + (_ABSENT_LOBE_VARIANCE * absent if absent.any() else 0.0)
            height = shown.low[part_boxes.HEIGHT + k], shown.high[part_boxes.HEIGHT + k]
            if shown.exact:
                high, height = low, (height[0], height[0])
            widths = {Truth.BASE: (low[0], high[0]), Truth.HEIGHT: height}
            as_made: Floats = np.zeros((len(group.variants.sets), shown.count))
            if Truth.LIFT in group.sights:
                own = model.lift_making_sd**2 + wear
                worn = low[1] - model.nose_wear_mean
                most = worn if shown.exact else high[1] - model.nose_wear_mean
                as_made = group.sights[Truth.LIFT].score(worn, most, own)
            as_reground = as_made.copy()
            own = model.base_making_sd**2 + wear
            for truth, between in widths.items():
                if truth in group.sights:
                    stated, smaller = group.sights[truth].scores(*between, own)
                    as_made += stated
                    as_reground += smaller
            made += group.variants.spread(as_made)
            reground += group.variants.spread(as_reground)
        return made, reground


def _stated(shown: Shown, place: int, unstated: int, sight: _Sight, own: Floats | float, wear: float) -> Floats:
    """The score of a width of the core, which it may not state."""
    low = shown.low[place] - wear
    high = low if shown.exact else shown.high[place] - wear
    found = sight.score(low, high, own)
    if shown.exact:
        return np.where(shown.high[unstated] > 0, _UNSTATED, found)
    # in a box some may state it and some not
    found = np.where(np.isfinite(low), found, _UNSTATED)
    return np.where(shown.high[unstated] > 0, np.maximum(found, _UNSTATED), found)


def with_ratio_error(hypotheses: EntryLists, model: MeasuringModel) -> EntryLists:
    """The hypotheses for a quick look: each valve lift with the rocker ratio's error as its own scatter."""
    return hypotheses.each(lambda e: e.standing_alone(model.valve_ratio_sd) if e.shares_ratio else e)

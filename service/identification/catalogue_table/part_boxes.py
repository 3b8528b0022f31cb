"""Parts in boxes within boxes: what lies near each other stands together, so that one look can rule out many.

A box says of each thing that a part shows to a gauge how little and how much any part in it shows. The parts are put
in an order in which every `LEAF` that follow each other lie near each other, and so does every `FAN` of such boxes;
the order is a k-d tree's (J. L. Bentley, Multidimensional binary search trees used for associative searching,
Communications of the ACM 18 (1975) 509), split along whatever is widest where it lies.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Floats, Ints

LEAF, FAN = 8, 16
FEW_PARTS, _FEW_BOXES = 500, 128
"""So many are looked at one by one, and not put into boxes, or into larger ones."""

JOURNAL, LENGTH, BASE, LIFT, HEIGHT, JOURNAL_SD, JOURNAL_UNSTATED, LENGTH_UNSTATED, LOBE_ABSENT = np.cumsum(
    [0, 3, 1, 2, 2, 2, 3, 3, 1]
)
"""Where in `Shown` a thing begins: of three journals, of the length, of two lobes. The last three are 0 or 1."""
_SHOWN = int(LOBE_ABSENT) + 2
_SPLIT_BY = np.arange(HEIGHT)
_LENGTH_WEIGHT = 0.1
"""An overall length is read ten times as coarsely as a width."""


@dataclass(frozen=True, eq=False)
class Shown:
    """The least and the most that each of K parts or boxes shows, (things, K): of a part, one and the same."""

    low: Floats
    high: Floats

    @property
    def count(self) -> int:
        """K."""
        return int(self.low.shape[1])

    @property
    def exact(self) -> bool:
        """Whether least and most are one and the same."""
        return self.low is self.high

    def take(self, index: Ints | slice) -> Shown:
        """Those at `index`."""
        low = self.low[:, index]
        return Shown(low, low if self.exact else self.high[:, index])


def shown(journal: Floats, journal_sd: Floats, length: Floats, base: Floats, lift: Floats) -> Shown:
    """What parts show, of whose cores the journals (K, 3) and lengths (K,) are; base circles and lifts (K, 2), in mm.

    A lobe that a part does not have is taken to be like its other one, and said to be absent.
    """
    found = np.empty((_SHOWN, length.size))
    found[JOURNAL:LENGTH] = journal.T
    found[LENGTH] = length
    absent = ~np.isfinite(lift)
    found[BASE:LIFT] = np.where(absent, base[:, ::-1], base).T
    found[LIFT:HEIGHT] = np.where(absent, lift[:, ::-1], lift).T
    found[HEIGHT:JOURNAL_SD] = found[BASE:LIFT] + found[LIFT:HEIGHT]
    found[JOURNAL_SD:JOURNAL_UNSTATED] = journal_sd.T
    found[JOURNAL_UNSTATED:LENGTH_UNSTATED] = ~np.isfinite(journal.T)
    found[LENGTH_UNSTATED] = ~np.isfinite(length)
    found[LOBE_ABSENT:] = absent.T
    return Shown(found, found)


def in_boxes(parts: Shown) -> tuple[Ints, Floats, Floats]:
    """(the order of the parts, the boxes' least and most, each (things, boxes) and the largest boxes first)."""
    order = _order(parts)
    sizes = _box_sizes(parts.count)
    if not sizes:
        return order, np.empty((_SHOWN, 0)), np.empty((_SHOWN, 0))
    sorted_ = parts.low[:, order]
    starts = [np.arange(0, parts.count, size) for size in sizes]
    low = np.concatenate([np.fmin.reduceat(sorted_, start, axis=1) for start in starts], axis=1)
    high = np.concatenate([np.fmax.reduceat(sorted_, start, axis=1) for start in starts], axis=1)
    return order, low, high


def _box_sizes(parts: int) -> list[int]:
    """How many parts a box holds, from the largest boxes to the smallest; none where there are few parts."""
    sizes = [LEAF] if parts > FEW_PARTS else []
    while sizes and parts > sizes[0] * _FEW_BOXES:
        sizes.insert(0, sizes[0] * FAN)
    return sizes


def _order(parts: Shown) -> Ints:
    split_by = np.nan_to_num(parts.low[_SPLIT_BY], nan=0.0)
    split_by[LENGTH] *= _LENGTH_WEIGHT
    order = np.arange(parts.count)
    size = LEAF
    while size < parts.count:
        size *= 2
    place = np.arange(parts.count)
    while size > LEAF:
        here = split_by[:, order]
        starts = np.arange(0, parts.count, size)
        wide = np.maximum.reduceat(here, starts, axis=1) - np.minimum.reduceat(here, starts, axis=1)
        of_block = place // size
        along = wide.argmax(axis=0)[of_block]
        order = order[np.lexsort((here[along, place], of_block))]
        size //= 2
    return order


@dataclass(frozen=True, eq=False)
class BoxLevel:
    """Boxes of one size: what each shows, the best log prior of its parts, and how many boxes or parts it holds."""

    shown: Shown
    log_prior: Floats
    holds: int
    below: int

    def held_by(self, boxes: Ints) -> Ints:
        """The boxes of the next level, or the places of the parts in their order, in `boxes`."""
        inside = (boxes[:, None] * self.holds + np.arange(self.holds)).ravel()
        return np.asarray(inside[inside < self.below])


def levels(low: Floats, high: Floats, log_prior: Floats) -> tuple[BoxLevel, ...]:
    """The boxes of `in_boxes` level by level, the largest first; `log_prior` (N,) in the order of the parts."""
    found: list[BoxLevel] = []
    parts, begin = log_prior.size, 0
    sizes = _box_sizes(parts)
    for size, smaller in zip(sizes, [*sizes, 1][1:], strict=True):
        count = -(-parts // size)
        within = slice(begin, begin + count)
        best = np.maximum.reduceat(log_prior, np.arange(0, parts, size))
        found.append(BoxLevel(Shown(low[:, within], high[:, within]), best, size // smaller, -(-parts // smaller)))
        begin += count
    return tuple(found)

"""Hypotheses share most of their entries: what a group of them holds is found once, and worked out once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Floats, Ints
from service.identification.entries.entries import Entry, GroupKey
from service.identification.entries.entry_lists import EntryLists
from service.identification.numerics.distinct import distinct_places


@dataclass(frozen=True, eq=False)
class Variants:
    """The distinct sets of entries of one group over all hypotheses; `of` (H,) says whose is whose, -1 for none."""

    key: GroupKey
    sets: list[tuple[Entry, ...]]
    of: Ints

    def spread(self, values: Floats) -> Floats:
        """From one value a variant (V, ...) to one a hypothesis (H, ...), zero where the group was not read."""
        return spread_over(values, self.of)

    def among(self, hypotheses: Ints) -> tuple[Variants, Ints]:
        """(the variants that some of the hypotheses hold, which of these they are)."""
        of = self.of[hypotheses]
        held = np.unique(of[of >= 0])
        place = np.full(len(self.sets) + 1, -1)
        place[held] = np.arange(held.size)
        return Variants(self.key, [self.sets[v] for v in held], place[of]), held


def spread_over(values: Floats, of: Ints) -> Floats:
    """`values` (V, ...) at each of `of`, zero for -1."""
    padded = np.concatenate([values, np.zeros((1, *values.shape[1:]))])
    return np.asarray(padded[of])


def grouped(hypotheses: EntryLists) -> dict[GroupKey, Variants]:
    """The variants of each group of truths over `hypotheses`; entries are told apart by identity."""
    numbers: dict[GroupKey, int] = {}
    of_pool = np.array([*(numbers.setdefault(e.group, len(numbers)) for e in hypotheses.pool), -1])
    of_place = of_pool[hypotheses.of]
    found = {}
    for key, number in numbers.items():
        own = np.where(of_place == number, hypotheses.of, -1)
        own = own[:, (own >= 0).any(axis=0)]
        first, of = distinct_places(own)
        sets = [tuple(hypotheses.pool[i] for i in own[h] if i >= 0) for h in first]
        offset = int(not sets[0])
        found[key] = Variants(key, sets[offset:], of - offset)
    return found

"""Hypotheses share most of their entries: what a group of them holds is found once, and worked out once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.identification.entries import Entry, GroupKey
from service.identification.table import Floats, Ints


@dataclass(frozen=True, eq=False)
class Variants:
    """The distinct sets of entries of one group over all hypotheses; `of` (H,) says whose is whose, -1 for none."""

    key: GroupKey
    sets: list[tuple[Entry, ...]]
    of: Ints

    def spread(self, values: Floats) -> Floats:
        """From one value a variant (V, ...) to one a hypothesis (H, ...), zero where the group was not read."""
        return spread_over(values, self.of)


def spread_over(values: Floats, of: Ints) -> Floats:
    """`values` (V, ...) at each of `of`, zero for -1."""
    padded = np.concatenate([values, np.zeros((1, *values.shape[1:]))])
    return np.asarray(padded[of])


def grouped(hypotheses: Sequence[Sequence[Entry]]) -> dict[GroupKey, Variants]:
    """The variants of each group of truths over `hypotheses`; entries are told apart by identity."""
    sets: dict[GroupKey, dict[tuple[int, ...], int]] = {}
    members: dict[GroupKey, list[tuple[Entry, ...]]] = {}
    of: dict[GroupKey, list[int]] = {}
    for number, entries in enumerate(hypotheses):
        groups: dict[GroupKey, list[Entry]] = {}
        for e in entries:
            groups.setdefault(e.group, []).append(e)
        for key, group in groups.items():
            known = sets.setdefault(key, {})
            identity = tuple(id(e) for e in group)
            if identity not in known:
                known[identity] = len(known)
                members.setdefault(key, []).append(tuple(group))
            if key not in of:
                of[key] = [-1] * len(hypotheses)
            of[key][number] = known[identity]
    return {key: Variants(key, members[key], np.array(of[key], np.int64)) for key in members}

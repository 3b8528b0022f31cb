"""Many lists of entries that share most of them: what every hypothesis holds to have been read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Floats, Ints
from service.identification.entries.entries import Entry


@dataclass(frozen=True, eq=False)
class EntryLists:
    """H lists out of a pool of N entries, each of which is in one at least.

    `of` (H, R) are places in the pool; -1 stands where a list has nothing.
    """

    pool: tuple[Entry, ...]
    of: Ints

    @classmethod
    def holding(cls, lists: EntryLists | Sequence[Sequence[Entry]]) -> EntryLists:
        """Lists written out one by one; entries are told apart by identity."""
        if isinstance(lists, EntryLists):
            return lists
        pool: list[Entry] = []
        places: dict[int, int] = {}
        of = np.full((len(lists), max(map(len, lists), default=0)), -1)
        for number, entries in enumerate(lists):
            here = []
            for e in entries:
                place = places.get(id(e))
                if place is None:
                    place = places[id(e)] = len(pool)
                    pool.append(e)
                here.append(place)
            of[number, : len(here)] = here
        return cls(tuple(pool), of)

    def __len__(self) -> int:
        return int(self.of.shape[0])

    def __iter__(self) -> Iterator[tuple[Entry, ...]]:
        return (self.entries(number) for number in range(len(self)))

    def entries(self, number: int) -> tuple[Entry, ...]:
        """One of the lists."""
        return tuple(self.pool[i] for i in self.of[number] if i >= 0)

    def at(self, of: Ints) -> EntryLists:
        """Other lists out of the same pool, less what none of them holds."""
        held = np.zeros(len(self.pool) + 1, bool)
        held[of] = True
        held[-1] = False
        if held[:-1].all():
            return EntryLists(self.pool, of)
        place = np.append(np.cumsum(held[:-1]) - 1, -1)
        return EntryLists(tuple(e for e, kept in zip(self.pool, held[:-1], strict=True) if kept), place[of])

    def without(self, left_out: Callable[[Entry], bool]) -> EntryLists:
        """The lists less some of their entries."""
        gone = self.where(left_out)
        return self.at(np.where(gone[self.of], -1, self.of)) if gone.any() else self

    def each(self, change: Callable[[Entry], Entry]) -> EntryLists:
        """The lists with every entry changed."""
        return EntryLists(tuple(map(change, self.pool)), self.of)

    def where(self, so: Callable[[Entry], bool]) -> NDArray[np.bool_]:
        """Which of the pool are so: (N + 1,), the last for what a list does not hold."""
        return np.array([*map(so, self.pool), False], bool)

    def total(self, values: Sequence[float]) -> Floats:
        """The sum of one value an entry (N,) over each list: (H,)."""
        return np.asarray(np.append(values, 0.0)[self.of].sum(axis=1))

    @property
    def own_log_density(self) -> Floats:
        """Log-density of the entries' repeats about their means, which says nothing of the part: (H,)."""
        return self.total([e.own_log for e in self.pool])

    def most(self, so: Callable[[Entry], bool]) -> int:
        """The most entries of a kind that one list holds."""
        return int(self.where(so)[self.of].sum(axis=1).max(initial=0))

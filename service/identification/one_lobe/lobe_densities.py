"""Everything read on the lobes, looked up where it is a pair of readings, integrated where it is not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Floats, Ints
from service.identification.entries.entries import Entry, Truth
from service.identification.one_lobe.lobe_integral import LobePrior, Shifts, lobe_density
from service.identification.one_lobe.pair_tables import PairErrors, PairsRead, look_up, pair_table


def lobe_densities(lobes: Sequence[tuple[Sequence[tuple[Entry, ...]], LobePrior]], at: Shifts) -> list[Floats]:
    """Log-density of everything read on each lobe, for each variant of its entries: one array (V, K, S) a lobe.

    A lobe read once a width is looked up (`pair_tables`), all lobes and rows of one kind together; what is left is
    integrated.
    """
    found = [np.empty((len(sets), prior.base.size, at.count)) for sets, prior in lobes]
    pairs: dict[PairErrors, list[_Pairs]] = {}
    for out, (sets, prior) in zip(found, lobes, strict=True):
        kinds = _kinds(prior)
        slow = []
        for v, entries in enumerate(sets):
            pair = _pair(entries) if len(kinds) <= _MOST_KINDS else None
            if pair is None:
                slow.append(v)
                continue
            base, height = pair
            for (base_sd, lift_sd), rows in kinds:
                errors = PairErrors(
                    None if base is None else (base.sd, base.tail),
                    None if height is None else (height.sd, height.tail),
                    base_sd,
                    lift_sd,
                    prior.wear,
                )
                pairs.setdefault(errors, []).append(_Pairs(out, v, rows, base, height, prior))
        if slow:
            out[slow] = lobe_density([sets[v] for v in slow], prior, at)
    if pairs:
        _look_up(pairs, at)
    return found


_MOST_KINDS = 12
"""A catalogue in which nearly every part has tolerances of its own is not worth tables."""


@dataclass(frozen=True, eq=False)
class _Pairs:
    """One variant of one lobe under the rows of one kind: where its densities go, and what they rest on."""

    out: Floats
    variant: int
    rows: Ints | slice
    base: Entry | None
    height: Entry | None
    prior: LobePrior

    def residuals(self, first: Floats) -> tuple[Floats, Floats]:
        """(x at the first shift, d) for each row, see `pair_tables`; a lone reading's own residual is its x."""
        shift, prior = first[self.rows], self.prior
        if self.base is None:
            height = 0.0 if self.height is None else self.height.mean
            return height - prior.base[self.rows] - prior.lift[self.rows] - shift, np.zeros(shift.size)
        x = self.base.mean - prior.base[self.rows] - shift
        if self.height is None:
            return x, np.zeros(shift.size)
        return x, self.height.mean - self.base.mean - prior.lift[self.rows]


def _kinds(prior: LobePrior) -> list[tuple[tuple[float, float], Ints | slice]]:
    """The rows sorted by how such parts vary: ((base sd, lift sd), rows)."""
    both = np.stack([prior.base_sd, prior.lift_sd])
    if (both == both[:, :1]).all():
        return [((float(both[0, 0]), float(both[1, 0])), slice(None))]
    kinds, of = np.unique(prior.base_sd + 1j * prior.lift_sd, return_inverse=True)
    return [((float(kind.real), float(kind.imag)), np.flatnonzero(of == i)) for i, kind in enumerate(kinds)]


def _pair(entries: tuple[Entry, ...]) -> tuple[Entry | None, Entry | None] | None:
    """(base circle, height) of a lobe read at most once in each, or None for any other."""
    base = height = None
    for e in entries:
        if e.truth is Truth.BASE and base is None and (e.sign > 0 or e.tail == 0):
            base = e
        elif e.truth is Truth.HEIGHT and height is None and (e.sign < 0 or e.tail == 0):
            height = e
        else:
            return None
    return base, height


def _look_up(pairs: Mapping[PairErrors, Sequence[_Pairs]], at: Shifts) -> None:
    """Fill in the densities of all pairs, by kind."""
    reads = []
    for errors, several in pairs.items():
        x, d = (np.concatenate(parts) for parts in zip(*(own.residuals(at.first) for own in several), strict=True))
        reads.append(PairsRead(pair_table(errors), x, d))
    density = look_up(reads, at.every * at.step, at.count)
    start = 0
    for own in (own for several in pairs.values() for own in several):
        room = own.out[own.variant]
        size = room[own.rows].shape[0]
        room[own.rows] = density[start : start + size]
        start += size

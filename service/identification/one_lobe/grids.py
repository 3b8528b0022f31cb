"""Uniform grids for the likelihood's integrals: how wide, how fine, and the tables of entries' densities on them.

An `EntryTable` holds V variants of a group's entries, padded to the same number, as arrays.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from service.domain.arrays import Floats, Ints
from service.identification.entries.entries import Entry
from service.identification.numerics.densities import log_emg

SPREADS = 5.3
"""A normal is followed this many standard deviations out (6e-8 beyond)."""
TAILS = 11.0
"""An exponential is followed this many means out (2e-5 beyond)."""
STEP_PER_WIDTH = 1.2
"""Grid step over the narrowest width of an integrand; the trapezium rule then errs by about 1e-6."""
MOST_NODES = 1200

V = TypeVar("V", Sequence[Sequence[Entry]], Ints)


@dataclass(frozen=True)
class Grid:
    """The steps of the integrals: `step` in mm; the lobes' own truths `coarse` steps apart, the zeros `apart` steps."""

    step: float
    coarse: int
    apart: int


@dataclass(frozen=True, eq=False)
class EntryTable:
    """V variants of up to E entries each; `present` tells which are there. Arrays (V, E)."""

    mean: Floats
    sd: Floats
    tail: Floats
    sign: Floats
    present: Floats

    @classmethod
    def of(cls, variants: Sequence[Sequence[Entry]]) -> EntryTable:
        """Pack `variants`, each a sequence of entries."""
        most = max((len(v) for v in variants), default=0)
        shape = (len(variants), max(most, 1))
        mean, tail, present = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        sd, sign = np.ones(shape), np.ones(shape)
        for i, entries in enumerate(variants):
            for j, e in enumerate(entries):
                mean[i, j], sd[i, j], tail[i, j], sign[i, j], present[i, j] = e.mean, e.sd, e.tail, e.sign, 1.0
        return cls(mean, sd, tail, sign, present)

    @property
    def gaussian(self) -> bool:
        """True when no entry has a one-sided part."""
        return not bool((self.tail * self.present).any())

    def truth_range(self) -> tuple[Floats, Floats]:
        """(lowest, highest) truth that every present entry of a variant allows, each (V,). Infinite where none is."""
        down = SPREADS * self.sd + np.where(self.sign < 0, TAILS * self.tail, 0.0)
        up = SPREADS * self.sd + np.where(self.sign > 0, TAILS * self.tail, 0.0)
        lowest = np.where(self.present > 0, self.mean - up, -np.inf).max(axis=1)
        highest = np.where(self.present > 0, self.mean + down, np.inf).min(axis=1)
        return lowest, highest

    def take(self, index: Ints) -> EntryTable:
        """The variants at `index`."""
        return EntryTable(*(a[index] for a in (self.mean, self.sd, self.tail, self.sign, self.present)))

    def at_zeros(self, zeros: Floats) -> EntryTable:
        """Every variant at every zero of its tool, that zero taken out: (V * M, E), the zeros innermost."""
        mean = (self.mean[:, None] - zeros[:, None]).reshape(-1, self.mean.shape[1])
        rest = (np.repeat(a, zeros.size, axis=0) for a in (self.sd, self.tail, self.sign, self.present))
        return EntryTable(mean, *rest)

    def log_table(self, first: Floats, n: int, step: float) -> Floats:
        """Log-density of a variant's entries at truths `first` + i `step`, i < n: (V, n)."""
        truth = first[:, None] + step * np.arange(n)
        if self.mean.shape[1] == 1:
            one = log_emg(self.mean - truth, self.sd, self.tail, self.sign)
            return np.asarray(one * self.present)
        each = log_emg(
            self.mean[:, :, None] - truth[:, None, :], self.sd[:, :, None], self.tail[:, :, None], self.sign[:, :, None]
        )
        return np.asarray((each * self.present[:, :, None]).sum(axis=1))

    def combined(self) -> tuple[Floats, Floats, Floats]:
        """For entries without a one-sided part: (mean, sd, log constant) of the normal their product is, each (V,)."""
        weight = self.present / self.sd**2
        total = weight.sum(axis=1)
        mean = (weight * self.mean).sum(axis=1) / total
        sd = 1 / np.sqrt(total)
        misfit = (weight * (self.mean - mean[:, None]) ** 2).sum(axis=1)
        count = self.present.sum(axis=1)
        log_sds = (np.log(self.sd) * self.present).sum(axis=1)
        constant = -0.5 * misfit - 0.5 * (count - 1) * np.log(2 * np.pi) - log_sds + np.log(sd)
        return mean, sd, constant


MOST_NUMBERS = 4_000_000
"""The largest array worked on at once, in numbers: it bounds what a request may take of the machine's memory."""


def in_pieces(work: Callable[[V], Floats], variants: V, numbers_each: float) -> Floats:
    """`work(variants)`, in pieces along its first axis where `numbers_each` a variant would be too many at once."""
    size = max(1, int(MOST_NUMBERS / max(numbers_each, 1.0)))
    if len(variants) <= size:
        return work(variants)
    return np.concatenate([work(variants[i : i + size]) for i in range(0, len(variants), size)])


def alike_widths(one: Floats, other: Floats, step: float) -> list[Ints]:
    """The variants sorted by how much two truths are left open, within a factor of two.

    They are worked out on as many nodes as the widest of them needs, which the others are spared.
    """
    sizes = np.round(np.log2(np.maximum(np.stack([one, other]), step)))
    found, of = np.unique(sizes, axis=1, return_inverse=True)
    return [np.flatnonzero(of.ravel() == i) for i in range(found.shape[1])]


def coarser(coarse: int, low: Floats, high: Floats, step: float) -> int:
    """`coarse`, or as much more as it takes to cover [low, high] with no more than `MOST_NODES` nodes."""
    width = float(np.max(high - low, initial=0.0))
    return max(coarse, int(np.ceil(width / (step * (MOST_NODES - 2)))))


def nodes_between(low: Floats, high: Floats, step: float) -> tuple[Floats, int]:
    """(first node of each variant, common number of nodes) of grids of `step` covering [low, high]."""
    width = float(np.max(high - low, initial=0.0))
    n = int(np.clip(np.ceil(width / step) + 1, 2, MOST_NODES))
    return low, n


def slide(values: Floats, kernel: Floats, every: int, coarse: int) -> Floats:
    """`values` against a sliding kernel: sum_i values[..., i] kernel[..., i coarse + (S - 1 - n) every] at n.

    `values` stand `coarse` steps of the kernel apart; `kernel` comes from `offsets`. The result has S elements.
    """
    reach = (values.shape[-1] - 1) * coarse + 1
    windows = sliding_window_view(kernel, reach, axis=-1)[..., ::every, ::coarse][..., ::-1, :]
    return np.asarray(np.einsum("...i,...ni->...n", values, windows))


def offsets(first: Floats, n_values: int, coarse: int, n_shifts: int, every: int, step: float) -> Floats:
    """The distinct distances x_i - s_n for `slide`'s kernel; `first` is x_0 - s_0, the result has one axis more.

    The x stand `coarse` steps apart, the shifts `every` steps.
    """
    index: Ints = np.arange((n_values - 1) * coarse + 1 + (n_shifts - 1) * every) - (n_shifts - 1) * every
    return np.asarray(first[..., None] + step * index)

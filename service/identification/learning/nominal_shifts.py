"""Whether several shafts say together that a printed nominal is out: by how much, and how often chance says as much.

Shaft i strays from its nominal by r_i. Were the nominal right, r_i would be a draw from a law of its own: a normal
(making, scatter, zero), moved to one side by exponential parts (wear, technique), now and then something else
altogether (a slip, a reground base circle). That law is tabulated from its characteristic function

    E exp(i w r) = sum_k p_k exp(i w m_k - w^2 s_k^2 / 2) prod_j 1 / (1 - i w e_kj),        e_kj: signed means,

so nothing is taken for normal that is not. Every shaft counts by how far it lies from its law's median, no further than
`CLIP` standard deviations (P. J. Huber, Robust Estimation of a Location Parameter, Annals of Mathematical Statistics
35 (1964) 73: one misread shaft cannot carry a verdict), in proportion to 1 / s_i^2:

    T = sum_i w_i clip(r_i - med_i, -c s_i, +c s_i) / sum_i w_i

The law of T is the convolution of those of its terms, so the chance of a T as far out as the one seen is exact for few
shafts too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Floats

CLIP = 2.5
_REACH_MM = 2.0
_POINTS = 4096
_LATTICE = 2048


@dataclass(frozen=True)
class Component:
    """One way a shaft strays: normal of `mean` and `sd`, plus exponentials of signed means `tails`; mm."""

    share: float
    mean: float
    sd: float
    tails: tuple[float, ...] = ()


@dataclass(frozen=True)
class Law:
    """How far a shaft lies from a nominal that is right. `wild`: how often it lies anywhere, on either side alike."""

    components: tuple[Component, ...]
    wild: float = 0.0

    @cached_property
    def density(self) -> Floats:
        """Chance of each of the places of `grid`, apart from the wild ones; they sum to one."""
        omega = 2 * np.pi * np.fft.rfftfreq(_POINTS, d=_STEP)
        total = np.zeros(omega.size, complex)
        for one in self.components:
            term = one.share * np.exp(1j * omega * one.mean - 0.5 * (omega * one.sd) ** 2)
            for tail in one.tails:
                term = term / (1 - 1j * omega * tail)
            total += term
        # the transform is of exp(+i w r): its conjugate is numpy's, and the grid's middle is zero
        found = np.fft.fftshift(np.fft.irfft(np.conj(total), _POINTS))
        found = np.maximum(found, 0.0)
        return np.asarray(found / found.sum())

    @cached_property
    def median(self) -> float:
        """The middle of it, mm."""
        return float(np.interp(0.5, np.cumsum(self.density), GRID + _STEP / 2))

    @cached_property
    def sd(self) -> float:
        """Half the width that holds the middle 68.27 %, mm: the standard deviation, were it normal."""
        low, high = np.interp((0.158655, 0.841345), np.cumsum(self.density), GRID + _STEP / 2)
        return float(high - low) / 2


_STEP = 2 * _REACH_MM / _POINTS
GRID: Floats = (np.arange(_POINTS, dtype=np.float64) - _POINTS // 2) * _STEP
"""Places in mm that a law is tabulated at."""


@dataclass(frozen=True)
class Seen:
    """One shaft: how far it lies from the nominal in mm, the law of that, and by how many mm the law may be out."""

    away: float
    law: Law
    allowance: float = 0.0

    @property
    def outlying(self) -> bool:
        """Whether it counts only as far as `CLIP` standard deviations."""
        return abs(self.away - self.law.median) > CLIP * self.law.sd


@dataclass(frozen=True)
class Shift:
    """By how much a nominal is out, in mm, with its standard uncertainty, and how often chance alone says as much."""

    estimate: float
    standard_uncertainty: float
    p_value: float


def shift_of(seen: Sequence[Seen]) -> Shift:
    """What at least one shaft says of a nominal.

    The laws' constants are the same for every shaft, so what they are out by does not average away: `p_value` is
    two-sided and for the worst case within the shafts' mean allowance. The estimate is where T is what it is expected
    to be; its uncertainty is that of T over T's slope, and of the allowance as a rectangular distribution of that half
    width (JCGM 100:2008, 4.3.7).
    """
    away = np.array([one.away - one.law.median for one in seen])
    sds = np.array([one.law.sd for one in seen])
    weights = sds**-2.0 / (sds**-2.0).sum()
    allowance = float(weights @ np.array([one.allowance for one in seen]))
    places, chance = _of_sum([one.law for one in seen], weights)
    expected = float(places @ chance)
    sd = float(np.sqrt((places - expected) ** 2 @ chance))

    def total(shift: float) -> float:
        return float(weights @ np.clip(away - shift, -CLIP * sds, CLIP * sds))

    slope = float(weights @ np.array([_share_inside(one.law) for one in seen]))
    found, step = total(0.0), float(places[1] - places[0])
    # between two places of the lattice, the one that says less
    below = float(chance[places <= found + allowance + step].sum())
    above = float(chance[places >= found - allowance - step].sum())
    return Shift(
        _falls_to(total, expected, float(away.min()) - _REACH_MM, float(away.max()) + _REACH_MM),
        float(np.hypot(sd / slope, allowance / np.sqrt(3))),
        min(1.0, 2 * below, 2 * above),
    )


def benjamini_hochberg(p_values: Sequence[float]) -> tuple[float, ...]:
    """Each p-value adjusted for how many were looked at: naming all that come out at q or less keeps the expected share
    of false ones among those named at q (Y. Benjamini and Y. Hochberg, Controlling the False Discovery Rate, Journal of
    the Royal Statistical Society B 57 (1995) 289), for tests that are independent or rise together (Y. Benjamini and
    D. Yekutieli, Annals of Statistics 29 (2001) 1165).
    """
    if not p_values:
        return ()
    p = np.asarray(p_values, float)
    order = np.argsort(p)[::-1]
    ranked = p[order] * p.size / np.arange(p.size, 0, -1)
    adjusted = np.empty(p.size)
    adjusted[order] = np.minimum(np.minimum.accumulate(ranked), 1.0)
    return tuple(adjusted.tolist())


@lru_cache(maxsize=512)
def _clipped(law: Law) -> tuple[Floats, Floats]:
    """(distances from the median as they count, their chances), wild ones at both ends."""
    counts = np.clip(GRID - law.median, -CLIP * law.sd, CLIP * law.sd)
    inner = np.abs(GRID - law.median) < CLIP * law.sd
    chance = (1 - law.wild) * law.density
    low, high = chance[~inner & (counts < 0)].sum(), chance[~inner & (counts > 0)].sum()
    ends = np.array([-CLIP, CLIP]) * law.sd
    wild = np.array([low, high]) + law.wild / 2
    return np.append(counts[inner], ends), np.append(chance[inner], wild)


def _share_inside(law: Law) -> float:
    """How often a shaft lies where its distance counts in full."""
    inner = np.abs(GRID - law.median) < CLIP * law.sd
    return float((1 - law.wild) * law.density[inner].sum())


def _of_sum(laws: Sequence[Law], weights: Floats) -> tuple[Floats, Floats]:
    """(places, chances) of T."""
    reach = float(weights @ np.array([CLIP * law.sd for law in laws]))
    step = 2 * reach / _LATTICE
    product = np.ones(_LATTICE + 1, complex)
    made: dict[Law, NDArray[np.complex128]] = {}
    for law, weight in zip(laws, weights.tolist(), strict=True):
        if law not in made:
            made[law] = np.fft.rfft(_on_lattice(*_clipped(law), weight / step))
        product = product * made[law]
    chance = np.maximum(np.fft.fftshift(np.fft.irfft(product, 2 * _LATTICE)), 0.0)
    places = (np.arange(2 * _LATTICE, dtype=np.float64) - _LATTICE) * step
    return places, chance / chance.sum()


def _on_lattice(values: Floats, chances: Floats, scale: float) -> Floats:
    """Chances on whole numbers: each value times `scale` is shared by its two neighbours, so that means are kept."""
    at = values * scale
    low = np.floor(at).astype(int)
    found = np.zeros(2 * _LATTICE)
    np.add.at(found, low % found.size, chances * (1 - (at - low)))
    np.add.at(found, (low + 1) % found.size, chances * (at - low))
    return found


def _falls_to(function: Callable[[float], float], level: float, low: float, high: float) -> float:
    """Where a falling function comes down to `level`."""
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) > level else (low, middle)
    return (low + high) / 2

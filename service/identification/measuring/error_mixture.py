"""The distribution of a total error that is normal, one-sided, and not of one kind for sure.

A `Branch` is a shift, a normal and any number of exponentials of either sign; an `ErrorMixture` is several branches,
each with its weight. Its mean and spread are algebra. Its quantiles come from its characteristic function: exact
for unequal, equal and cancelling exponentials alike, the same every time, and with no sampling.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from service.domain.arrays import Floats

_DEVIATIONS_COVERED = 16.0
"""Half the width, in standard deviations of the whole, over which the inversion must not fold back on itself."""

_NORMAL_DEAD_AT = 6.5
"""exp(-6.5^2 / 2) is 1e-9: where the characteristic function of the narrowest branch may be cut."""


@dataclass(frozen=True)
class Branch:
    """With probability `weight` (relative): `shift` + Normal(0, `sd`) + the sum of Exponentials of signed means."""

    weight: float
    shift: float
    sd: float
    exponential_means: tuple[float, ...] = ()

    @property
    def mean(self) -> float:
        """Mean of the branch."""
        return self.shift + math.fsum(self.exponential_means)

    @property
    def variance(self) -> float:
        """Variance of the branch; an exponential's is its mean squared."""
        return self.sd**2 + math.fsum(tail**2 for tail in self.exponential_means)


@dataclass(frozen=True)
class ErrorMixture:
    """A weighted mixture of branches, each of positive `sd`. Weights need not sum to one."""

    branches: tuple[Branch, ...]

    @cached_property
    def _weights(self) -> tuple[float, ...]:
        total = math.fsum(b.weight for b in self.branches)
        return tuple(b.weight / total for b in self.branches)

    @cached_property
    def mean(self) -> float:
        """Mean of the whole."""
        return math.fsum(w * b.mean for w, b in zip(self._weights, self.branches, strict=True))

    @cached_property
    def sd(self) -> float:
        """Standard deviation of the whole: the branches' own variances and that between their means."""
        variance = math.fsum(
            w * (b.variance + (b.mean - self.mean) ** 2) for w, b in zip(self._weights, self.branches, strict=True)
        )
        return math.sqrt(variance)

    @cached_property
    def _transform(self) -> tuple[Floats, NDArray[np.complex128], float]:
        """Nodes t, the centred characteristic function over t there, and the spacing of the nodes."""
        spacing = math.pi / (_DEVIATIONS_COVERED * self.sd)
        narrowest = min(b.sd for b in self.branches)
        nodes = (np.arange(math.ceil(_NORMAL_DEAD_AT / narrowest / spacing), dtype=np.float64) + 0.5) * spacing
        total = np.zeros(nodes.shape, dtype=np.complex128)
        for weight, branch in zip(self._weights, self.branches, strict=True):
            value = weight * np.exp(1j * nodes * (branch.shift - self.mean) - 0.5 * (branch.sd * nodes) ** 2)
            for tail in branch.exponential_means:
                value /= 1 - 1j * tail * nodes
            total += value
        return nodes, total / nodes, spacing

    def cdf(self, x: float) -> float:
        """The probability of an error of at most `x`.

        F(x) = 1/2 - (1/pi) * integral over t > 0 of Im(exp(-i t x) phi(t)) / t (J. Gil-Pelaez, Note on the inversion
        theorem, Biometrika 38 (1951) 481), by the midpoint rule, which is exact to the normal's and the tails' ends.
        """
        nodes, transform, spacing = self._transform
        turned = np.exp(-1j * nodes * (x - self.mean)) * transform
        return 0.5 - spacing / math.pi * float(turned.imag.sum())

    def quantile(self, probability: float) -> float:
        """The error that is not exceeded with `probability`, which is to lie between 0.01 and 0.99.

        No quantile lies further from the mean than Cantelli's inequality lets it, which brackets the search.
        """
        reach = self.sd * math.sqrt(max(probability, 1 - probability) / min(probability, 1 - probability))
        root = brentq(lambda x: self.cdf(x) - probability, self.mean - reach, self.mean + reach, xtol=1e-6 * self.sd)
        return float(root)

"""Lobes with known truth, for tests: laws of motion in closed form, and tables of them as a bench would give."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Floats

INCH = 25.4


@dataclass(frozen=True)
class Lobe:
    """A lobe of lift `lift_mm` whose event opens `opening_deg` before the nose and closes `closing_deg` after it.

    `law(x)` is the share of the lift at a share x of the way from nose (0) to seat (1), even and smooth at 0.
    """

    law: Callable[[Floats], Floats]
    lift_mm: float
    opening_deg: float
    closing_deg: float

    def at(self, from_nose_deg: Floats) -> Floats:
        turned = (np.asarray(from_nose_deg, float) + 180) % 360 - 180
        x = np.abs(turned) / np.where(turned < 0, self.opening_deg, self.closing_deg)
        return self.lift_mm * np.where(x < 1, self.law(np.minimum(x, 1.0)), 0.0)

    def half_angle(self, checking_lift_mm: float, *, opening: bool) -> float:
        """Cam degrees from the nose to a lift, by bisection of the law itself."""
        low, high = 0.0, 1.0
        for _ in range(80):
            middle = (low + high) / 2
            if float(self.law(np.array([middle]))[0]) * self.lift_mm > checking_lift_mm:
                low = middle
            else:
                high = middle
        return low * (self.opening_deg if opening else self.closing_deg)

    def duration(self, checking_lift_mm: float) -> float:
        """Crank degrees above a lift."""
        return 2 * sum(self.half_angle(checking_lift_mm, opening=side) for side in (True, False))


def harmonic(x: Floats) -> Floats:
    return (1 + np.cos(np.pi * x)) / 2


def cycloidal(x: Floats) -> Floats:
    return 1 - x + np.sin(2 * np.pi * x) / (2 * np.pi)


def polynomial(x: Floats) -> Floats:
    """1 + a x^2 + b x^6 + c x^8 + d x^10 with a = -1.9; lift, velocity and acceleration vanish at x = 1."""
    a = -1.9
    return 1 + a * x**2 + (-10 - 6 * a) * x**6 + (15 + 8 * a) * x**8 + (-6 - 3 * a) * x**10


def ramped(x: Floats) -> Floats:
    """The polynomial with slow ramps: it stands on a flank of the form (1 - x^2)^4 of a fortieth of the lift."""
    inner = np.minimum(x / 0.85, 1.0)
    return 0.97 * polynomial(inner) + 0.03 * (1 - x**2) ** 3


def bench_table(
    lobe: Lobe,
    rng: np.random.Generator,
    *,
    nose_deg: float = 181.3,
    step_deg: float = 2.0,
    noise_mm: float = 0.0005 * INCH,
    runout_mm: float = 0.002 * INCH,
    spikes: float = 0.01,
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """(cam degrees, lift in mm, which rows are spikes). `runout_mm` is the indicator's whole swing over a turn."""
    at = np.arange(0, 360, step_deg)
    lift = lobe.at(at - nose_deg) + runout_mm / 2 * np.cos(np.radians(at) - rng.uniform(0, 2 * np.pi))
    lift = lift + rng.normal(0, noise_mm, at.size)
    wild = rng.random(at.size) < spikes
    lift[wild] += rng.choice([-1, 1], wild.sum()) * rng.uniform(0.1, 1.0, wild.sum())
    return at, lift, wild

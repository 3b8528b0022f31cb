"""Which of several lobes that ought to be alike stands out from the rest.

Each has a figure x_i with standard uncertainty u_i, independent of the others'. The one farthest from the weighted mean
m of the rest, by (x_i - m) / sqrt(u_i^2 + u(m)^2) with 1 / u(m)^2 = sum of the rest's 1 / u_j^2, stands out where that
is beyond the normal quantile of its chance shared out over the lobes (Bonferroni). It is set aside and the rest are
looked at again, so that one lobe that is far off does not make its neighbours look odd.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from scipy.special import ndtri

from service.lobe.figures import Figure

CHANCE = 0.01
"""Of naming any lobe of a group whose lobes are all alike."""


@dataclass(frozen=True)
class Standout:
    """`number` is `difference` larger than the mean of `others`. With one other alone, either may be the odd one."""

    number: int
    others: tuple[int, ...]
    difference: Figure


def standing_out(figures: Mapping[int, Figure], chance: float = CHANCE) -> tuple[Standout, ...]:
    """Those that stand out, the farthest off first. Each uncertainty must be above 0."""
    rest, found = dict(figures), []
    while len(rest) > 1:
        # of two there is one difference, and the later is named
        compared = [_beside(number, rest) for number in rest] if len(rest) > 2 else [_beside(max(rest), rest)]
        worst = max(compared, key=lambda each: abs(each.difference.value) / each.difference.sd)
        if abs(worst.difference.value) <= -float(ndtri(chance / 2 / len(compared))) * worst.difference.sd:
            break
        found.append(worst)
        del rest[worst.number]
    return tuple(found)


def _beside(number: int, figures: Mapping[int, Figure]) -> Standout:
    others = tuple(sorted(each for each in figures if each != number))
    weight = math.fsum(figures[each].sd ** -2 for each in others)
    mean = math.fsum(figures[each].value * figures[each].sd ** -2 for each in others) / weight
    own = figures[number]
    return Standout(number, others, Figure(own.value - mean, math.hypot(own.sd, weight**-0.5)))

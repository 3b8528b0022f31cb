"""How far a tool's zero may move from one check to the next before the tool, and not the check, has moved.

A zero check is one reading of the tool in a practised hand: its scatter, and rounding to its step (step^2 / 12, JCGM
100, F.2.2.1). The difference of two has twice that variance, and comes in whole steps; beyond two standard deviations
of it and half a step the zero has drifted.
"""

from __future__ import annotations

import math

from service.domain.readings import Instrument
from service.identification.measuring.model import MeasuringModel, rounding_variance_of_mean

COVERAGE = 2.0
"""JCGM 100, 6.3.3: a coverage factor of 2 holds about 95 % of what chance does."""


def drift_allowed(instrument: Instrument, step: float, model: MeasuringModel) -> float:
    """The largest drift that two checks of a tool that has not moved show by chance; mm, or degrees for an angle tool.

    `step` is the tool's resolution in the same unit.
    """
    scatter = model.tools[instrument].scatter
    return COVERAGE * math.sqrt(2 * (scatter**2 + rounding_variance_of_mean(step, 0.0, 1))) + step / 2

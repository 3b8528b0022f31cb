"""One lobe read with two tools, where all is normal: against scipy's multivariate normal."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from service.domain.readings import Instrument
from service.identification.entries.entries import Entry, Truth
from service.identification.one_lobe.grids import Grid
from service.identification.one_lobe.lobe_integral import LobePrior, Shifts
from service.identification.one_lobe.mixed_lobe import mixed_lobe_density

CALIPER, MICROMETER = Instrument.DIGITAL_CALIPER, Instrument.OUTSIDE_MICROMETER
SEES = {Truth.BASE: (1.0, 0.0), Truth.HEIGHT: (1.0, 1.0), Truth.LIFT: (0.0, 1.0)}
"""How much of the base circle and of the lift is in each."""


@pytest.mark.parametrize("lift_sd", [0.011, 2.5], ids=["a part's lift", "a lift that nobody knows"])
@pytest.mark.parametrize(
    "read",
    [
        [(Truth.HEIGHT, CALIPER), (Truth.HEIGHT, MICROMETER)],
        [(Truth.BASE, CALIPER), (Truth.BASE, MICROMETER)],
        [(Truth.BASE, CALIPER), (Truth.BASE, MICROMETER), (Truth.LIFT, None)],
        [(Truth.BASE, MICROMETER), (Truth.HEIGHT, CALIPER)],
        [(Truth.BASE, MICROMETER), (Truth.HEIGHT, CALIPER), (Truth.HEIGHT, MICROMETER), (Truth.LIFT, None)],
    ],
    ids=lambda read: " ".join(truth.name.lower() for truth, _ in read),
)
def test_a_lobe_of_two_tools_is_scipys_normal(read: list[tuple[Truth, Instrument | None]], lift_sd: float) -> None:
    base, lift, base_sd = 20.0, 7.5, 0.022
    values = {Truth.BASE: 19.97, Truth.HEIGHT: 27.42, Truth.LIFT: 7.46}
    sds = {CALIPER: 0.02, MICROMETER: 0.004, None: 0.01}
    entries = tuple(
        Entry(str(i), t, ("lobe", 0, 0), values[t], sds[tool], tool=tool) for i, (t, tool) in enumerate(read)
    )
    step = 0.003
    zeros, at = step * np.arange(-20, 21, 2.0), Shifts(np.array([-0.39]), 11, 13, step)
    prior = LobePrior(np.array([base]), np.array([base_sd]), np.array([lift]), np.array([lift_sd]), 0.0)
    found = mixed_lobe_density([entries], prior, CALIPER, zeros, at, Grid(step, 1, 2))[0, 0]

    sees = np.array([SEES[e.truth] for e in entries])
    covariance = sees @ np.diag([base_sd**2, lift_sd**2]) @ sees.T + np.diag([e.sd**2 for e in entries])
    compared = 0
    for m, zero in enumerate(zeros):
        for n, smaller in enumerate(-at.each[0]):
            carried = np.array([zero if e.tool is CALIPER else 0.0 for e in entries])
            mean = sees @ np.array([base - smaller, lift]) + carried
            exact = multivariate_normal(mean, covariance).logpdf([e.mean for e in entries])
            if exact > -25:
                assert found[m, n] == pytest.approx(exact, abs=2e-3)
                compared += 1
    assert compared >= 10

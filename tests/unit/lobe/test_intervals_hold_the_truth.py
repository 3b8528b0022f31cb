"""Over a thousand simulated bench tables, noise, runout and wild readings in them, 95 % intervals hold the truth."""

import numpy as np
import pytest

from tests.benchmarks.lift_tables import LOBES, draw


@pytest.mark.long
def test_intervals_hold_the_truth_as_often_as_they_say():
    rng = np.random.default_rng(20)
    drawn = [draw(lobe, 200, rng) for lobe in LOBES.values()]
    for figure in ("lift", "duration", "centre"):
        off = np.concatenate([np.abs(getattr(d, figure)) for d in drawn])
        sd = np.concatenate([getattr(d, f"{figure}_sd") for d in drawn])
        assert 0.93 <= np.mean(off <= 1.96 * sd) <= 0.97, figure

"""How long one identification takes on catalogues of several sizes: one process, one thread."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from service.identification.engine import identify
from service.identification.table import build_table
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import BASE

WARMING = 10


@dataclass(frozen=True)
class Timing:
    """Milliseconds an identification, with and without explaining, and seconds to make the catalogue's table."""

    parts: int
    table_s: float
    plain_ms: tuple[float, float]
    explained_ms: tuple[float, float]
    """(median, ninth decile)"""


def time_identifications(parts: int, seed: int, callers: int = 150) -> Timing:
    """Time `callers` different submissions against a catalogue of about `parts` parts."""
    catalogue = grown_catalogue(parts)
    began = time.perf_counter()
    table = build_table(catalogue)
    table_s = time.perf_counter() - began
    supply = Supply(catalogue, BASE, np.random.default_rng([seed, 0]))
    submissions = [draw_caller(supply, BASE, np.random.default_rng([seed, 2, i])).submission for i in range(callers)]
    spent: dict[bool, tuple[float, float]] = {}
    for explain in (False, True):
        for submission in submissions[:WARMING]:
            identify(table, submission, explain=explain)
        times = []
        for submission in submissions:
            began = time.perf_counter()
            identify(table, submission, explain=explain)
            times.append(1000 * (time.perf_counter() - began))
        spent[explain] = (float(np.median(times)), float(np.quantile(times, 0.9)))
    return Timing(len(catalogue.parts), table_s, spent[False], spent[True])

"""How long one identification takes on catalogues of several sizes, and which step of it: one process, one thread."""

from __future__ import annotations

import time
from collections import Counter
from dataclasses import dataclass

import numpy as np

from service.domain.catalogue import Catalogue
from service.domain.readings import Submission
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.shafts import Supply
from tests.benchmarks.stages import identify_watched
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
    submissions = _submissions(catalogue, seed, callers)
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


def shares_of_time(parts: int, seed: int, callers: int = 150) -> dict[str, float]:
    """Share of an explained identification's time in each step, greatest first, over `callers` submissions."""
    catalogue = grown_catalogue(parts)
    table = build_table(catalogue)
    submissions = _submissions(catalogue, seed, callers)
    for submission in submissions[:WARMING]:
        identify(table, submission)
    spent: Counter[str] = Counter()
    for submission in submissions:
        spent.update(identify_watched(table, submission).own_ms)
    return {step: ms / spent.total() for step, ms in spent.most_common()}


def _submissions(catalogue: Catalogue, seed: int, callers: int) -> list[Submission]:
    supply = Supply(catalogue, BASE, np.random.default_rng([seed, 0]))
    return [draw_caller(supply, BASE, np.random.default_rng([seed, 2, i])).submission for i in range(callers)]

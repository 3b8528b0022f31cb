"""Where an identification's time goes: the running process is looked at every millisecond of its own time."""

from __future__ import annotations

import signal
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

import numpy as np

from service.identification.engine import identify
from service.identification.table import build_table
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.shafts import Supply
from tests.benchmarks.timing import WARMING
from tests.benchmarks.worlds import BASE

LOOK_EVERY_S = 0.001
REST = "decision, derived quantities, the rest"
STEPS = (
    ("evidence in bits", "evidence", "evidence"),
    ("next reading", "next_reading", "next_reading"),
    ("screening of parts and slips", "screening", "screen"),
    ("screening of parts and slips", "rough_fit", "rough_log_likelihood"),
    ("likelihood: the lobes", "shaft_integral", "shaft_log_density"),
    ("likelihood: journals, timing, counts", "likelihood", "log_likelihood"),
    ("slips and entries", "entry_source", "of"),
    ("slips and entries", "slips", "hypotheses"),
    ("rows", "posterior", "_rows"),
)
"""(step, module, function): a look counts for the first of these that is running."""


def shares_of_time(parts: int, seed: int, callers: int = 150) -> dict[str, float]:
    """Share of an explained identification's time in each step, greatest first, over `callers` submissions."""
    catalogue = grown_catalogue(parts)
    table = build_table(catalogue)
    supply = Supply(catalogue, BASE, np.random.default_rng([seed, 0]))
    submissions = [draw_caller(supply, BASE, np.random.default_rng([seed, 2, i])).submission for i in range(callers)]
    for submission in submissions[:WARMING]:
        identify(table, submission)
    seen: Counter[str] = Counter()
    with _looking(seen):
        for submission in submissions:
            identify(table, submission)
    return {step: count / seen.total() for step, count in seen.most_common()}


@contextmanager
def _looking(seen: Counter[str]) -> Iterator[None]:
    def look(_: int, frame: FrameType | None) -> None:
        running = set()
        while frame is not None:
            running.add((frame.f_globals.get("__name__", "").rpartition(".")[2], frame.f_code.co_name))
            frame = frame.f_back
        seen[next((step for step, *place in STEPS if tuple(place) in running), REST)] += 1

    before = signal.signal(signal.SIGPROF, look)
    signal.setitimer(signal.ITIMER_PROF, LOOK_EVERY_S, LOOK_EVERY_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)

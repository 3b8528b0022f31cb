"""The engine's stages as an identification goes through them: what each is given, what it keeps, what it takes.

The stages are watched by putting a function of ours in the place of each; a run that is watched is not the one whose
whole time is taken.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any
from unittest import mock

import numpy as np

from service.identification import engine, likelihood, posterior, screening
from service.identification.screening import Kept

Counts = dict[str, float]
Count = Callable[[tuple[Any, ...], Any], Counts]


@dataclass
class Watched:
    """One identification: CPU milliseconds of each stage, those within it taken off, and what it worked on."""

    own_ms: Counts = field(default_factory=dict)
    counts: Counts = field(default_factory=dict)


def _screened(given: tuple[Any, ...], found: Kept) -> Counts:
    table, hands = given[0], given[1]
    slips = len(hands[0].hypotheses)
    return {
        "slips reckoned with": slips,
        "cores looked at": table.cores_with_parts.size,
        "slips x cores": slips * table.cores_with_parts.size,
        "slips kept by the screen": found.hypotheses.size,
        "rows kept by the screen": found.made.size + found.reground.size,
        "cores kept by the screen": found.cores.size,
        "slips x cores kept": slips * found.cores.size,
    }


def _looked_at(given: tuple[Any, ...], found: Any) -> Counts:
    return {"parts looked at": given[1].size, "slips x parts looked at": found[0].size}


def _strangers(given: tuple[Any, ...], found: Any) -> Counts:
    return {"rows of strangers": found[0].size}


def _rough(given: tuple[Any, ...], found: Any) -> Counts:
    return {"rows reckoned roughly": given[1].size, "rough: rows x slips x hands": found.size}


def _exact(given: tuple[Any, ...], found: Any) -> Counts:
    rows, told = given[1], given[3]
    return {
        "rows weighed exactly": rows.size,
        "slips weighed exactly": told.shape[1],
        "slips x hands told apart": int(told.sum()),
        "exact: rows x slips x hands": rows.size * int(told.sum()),
    }


def _nodes(given: tuple[Any, ...], found: Any) -> Counts:
    return {"nodes of further zeros": len(found.log_weights)}


def _zeros(given: tuple[Any, ...], found: Any) -> Counts:
    return {"zeros on the grid": found[0].size}


def _bounded(given: tuple[Any, ...], found: Any) -> Counts:
    return {"zeros taken as scatter, to bound the work": float(found is not given[0])}


SCREENING, STRANGERS, ROUGH, EXACT = "screening", "strangers", "rough reckoning", "exact likelihood"
REST, EVIDENCE, NEXT = "slips, entries, rows", "evidence", "next reading"
STAGES: tuple[tuple[ModuleType, str, str, Count | None], ...] = (
    (engine, "weigh", REST, None),
    (posterior, "screen", SCREENING, _screened),
    (posterior, "likely_strangers", STRANGERS, _strangers),
    (posterior, "rough_log_likelihood", ROUGH, _rough),
    (posterior, "_likelihoods", EXACT, _exact),
    (engine, "evidence", EVIDENCE, None),
    (engine, "next_reading", NEXT, None),
)
"""(module, the name it calls the stage by, stage, what to count)."""
WITHIN: tuple[tuple[ModuleType, str, str, Count], ...] = (
    (screening, "_part_scores", SCREENING, _looked_at),
    (posterior, "within_means", EXACT, _bounded),
    (likelihood, "spread_over_nodes", EXACT, _nodes),
    (likelihood, "zero_nodes", EXACT, _zeros),
)
"""What a stage calls that is counted, where it runs within that stage."""
POSTERIOR = (SCREENING, STRANGERS, ROUGH, EXACT, REST)


@contextmanager
def watching() -> Iterator[Watched]:
    """Watch what runs inside: one identification."""
    seen = Watched()
    running: list[str] = []
    spent: list[float] = []

    def stage(real: Callable[..., Any], name: str, count: Count | None) -> Callable[..., Any]:
        def watched(*given: Any, **named: Any) -> Any:
            running.append(name)
            spent.append(0.0)
            began = time.process_time()
            found = real(*given, **named)
            took = 1000 * (time.process_time() - began)
            running.pop()
            within = spent.pop()
            if spent:
                spent[-1] += took
            seen.own_ms[name] = seen.own_ms.get(name, 0.0) + took - within
            if count is not None:
                seen.counts |= count(given, found)
            return found

        return watched

    def part(real: Callable[..., Any], name: str, count: Count) -> Callable[..., Any]:
        def watched(*given: Any, **named: Any) -> Any:
            found = real(*given, **named)
            if running and running[-1] == name:
                for what, number in count(given, found).items():
                    seen.counts[what] = max(number, seen.counts.get(what, 0))
            return found

        return watched

    with ExitStack() as stack:
        for module, called, name, count in STAGES:
            stack.enter_context(mock.patch.object(module, called, stage(getattr(module, called), name, count)))
        for module, called, name, counted in WITHIN:
            stack.enter_context(mock.patch.object(module, called, part(getattr(module, called), name, counted)))
        yield seen


@dataclass(frozen=True)
class Line:
    """Milliseconds of a stage as `fixed` + `each` times a count, over many identifications."""

    fixed: float
    each: float
    explained: float
    """Share of the variance that the line explains."""


def line(counts: list[float], took_ms: list[float]) -> Line:
    """The least-squares line through what a stage took."""
    x, y = np.array(counts, float), np.array(took_ms, float)
    each, fixed = np.polyfit(x, y, 1) if np.ptp(x) > 0 else (0.0, float(y.mean()))
    left = y - fixed - each * x
    return Line(float(fixed), float(each), float(1 - left.var() / y.var()) if y.var() > 0 else 0.0)

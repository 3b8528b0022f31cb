"""The steps of an identification: what each takes, what it is given and what it keeps.

The engine says which step it is in; what a step works on is seen by putting a function of ours in the place of the one
it calls. A run that is watched is not the one whose whole time is taken.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import Any
from unittest import mock

import numpy as np

from service.domain.readings import Submission
from service.identification import posterior
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.engine import identify
from service.identification.likelihood import likelihood
from service.identification.shortlist import screening
from service.identification.shortlist.quick_look import QuickLook
from service.identification.shortlist.screening import Kept
from service.identification.watch import EVIDENCE, EXACT, NEXT_READING, OF_POSTERIOR, POSTERIOR

Counts = dict[str, float]
Count = Callable[[tuple[Any, ...], Any], Counts]


@dataclass
class Watched:
    """One identification: CPU milliseconds of each step, those within it taken off, and what it worked on."""

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


def _parts_looked_at(given: tuple[Any, ...], found: Any) -> Counts:
    return {"parts looked at": given[1].size, "parts looked at x slips x hands": found.made.size}


def _boxes_looked_at(given: tuple[Any, ...], found: Any) -> Counts:
    return {"boxes looked at": 0 if given[1].exact else given[1].count}


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


COUNTED: tuple[tuple[object, str, Count], ...] = (
    (posterior, "screen", _screened),
    (posterior, "likely_strangers", _strangers),
    (posterior, "rough_log_likelihood", _rough),
    (posterior, "_likelihoods", _exact),
)
"""(module, the name it calls a step's work by, what to count)."""
COUNTED_WITHIN: tuple[tuple[object, str, str, Count], ...] = (
    (posterior, "within_means", EXACT, _bounded),
    (likelihood, "spread_over_nodes", EXACT, _nodes),
    (likelihood, "zero_nodes", EXACT, _zeros),
)
"""What a step calls that is counted, the most of it, where it runs within that step."""
ADDED_UP: tuple[tuple[object, str, Count], ...] = (
    (screening._Question, "of_parts", _parts_looked_at),
    (QuickLook, "lobes", _boxes_looked_at),
)
"""What is called several times, and counted all together."""
REST_OF_POSTERIOR = "rows, priors, sums"
REST = "decision, derived quantities, the rest"
STEPS = (*OF_POSTERIOR, REST_OF_POSTERIOR, EVIDENCE, NEXT_READING, REST)
"""All that an identification's time goes into."""


class _Watch:
    """Satisfies the engine's `Watch`: CPU milliseconds of each step, those of the steps within it taken off."""

    def __init__(self, own_ms: Counts) -> None:
        self._own_ms = own_ms
        self.running: list[str] = []
        self._spent: list[float] = []

    @contextmanager
    def __call__(self, step: str, /) -> Iterator[None]:
        self.running.append(step)
        self._spent.append(0.0)
        began = time.process_time()
        yield
        took = 1000 * (time.process_time() - began)
        self.running.pop()
        within = self._spent.pop()
        if self._spent:
            self._spent[-1] += took
        named = REST_OF_POSTERIOR if step == POSTERIOR else step
        self._own_ms[named] = self._own_ms.get(named, 0.0) + took - within


def identify_watched(table: CatalogueTable, submission: Submission) -> Watched:
    """What one identification goes through."""
    seen = Watched()
    watch = _Watch(seen.own_ms)

    def counted(real: Callable[..., Any], keep: Callable[[Counts], None], count: Count) -> Callable[..., Any]:
        def called(*given: Any, **named: Any) -> Any:
            found = real(*given, **named)
            keep(count(given, found))
            return found

        return called

    def the_last(counts: Counts) -> None:
        seen.counts |= counts

    def the_most(step: str) -> Callable[[Counts], None]:
        def keep(counts: Counts) -> None:
            if watch.running and watch.running[-1] == step:
                for what, number in counts.items():
                    seen.counts[what] = max(number, seen.counts.get(what, 0))

        return keep

    def all_together(counts: Counts) -> None:
        for what, number in counts.items():
            seen.counts[what] = seen.counts.get(what, 0) + number

    every = [
        *((owner, called, the_last, count) for owner, called, count in COUNTED),
        *((owner, called, the_most(step), count) for owner, called, step, count in COUNTED_WITHIN),
        *((owner, called, all_together, count) for owner, called, count in ADDED_UP),
    ]
    with ExitStack() as stack:
        for owner, called, keep, count in every:
            stack.enter_context(mock.patch.object(owner, called, counted(getattr(owner, called), keep, count)))
        with watch(REST):
            identify(table, submission, watch=watch)
    return seen


@dataclass(frozen=True)
class Line:
    """Milliseconds of a step as `fixed` + `each` times a count, over many identifications."""

    fixed: float
    each: float
    explained: float
    """Share of the variance that the line explains."""


def line(counts: list[float], took_ms: list[float]) -> Line:
    """The least-squares line through what a step took."""
    x, y = np.array(counts, float), np.array(took_ms, float)
    each, fixed = np.polyfit(x, y, 1) if np.ptp(x) > 0 else (0.0, float(y.mean()))
    left = y - fixed - each * x
    return Line(float(fixed), float(each), float(1 - left.var() / y.var()) if y.var() > 0 else 0.0)

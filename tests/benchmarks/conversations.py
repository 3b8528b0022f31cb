"""Whole conversations: the engine choosing each next reading, against a fixed script, with the same callers.

    .venv/bin/python -m tests.benchmarks.conversations [--callers N] [--seed S]

Every caller has one caliper and a square, reads one thing at a time and tells it without a slip. The script takes a
journal, the intake lobe's height and base circle, the exhaust lobe's, and then the other journals. Both begin with the
front journal, both stop when the service identifies the part, says that it is nobody's, or has nothing left that this
caller could read; both are judged by the same answers. Everything is invented.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import click
import numpy as np

from service.domain.identification import AnswerState, NextReading
from service.domain.readings import Feature, Instrument, LobeKind, Position, Source, Submission
from service.identification.catalogue_table.table import CatalogueTable, build_table
from service.identification.engine import identify
from tests.benchmarks.callers import Bench, set_up
from tests.benchmarks.catalogues import fixture_catalogue
from tests.benchmarks.classes import classes_of
from tests.benchmarks.shafts import Shaft, Supply, draw_shaft
from tests.benchmarks.worlds import World

MOST_READINGS = 10
DECIDED = (AnswerState.IDENTIFIED, AnswerState.NOT_IN_CATALOGUE)
Step = Callable[[Bench], None]


@dataclass(frozen=True)
class Ending:
    """How one conversation ended: readings taken, the state, and whether what was decided is so (None: undecided)."""

    readings: int
    state: AnswerState
    right: bool | None


def script(shaft: Shaft, tool: Instrument) -> Iterator[Step]:
    """Intake height and base circle, the exhaust lobe's, then the journals behind the first."""
    for kind in shaft.kinds:
        yield lambda bench, kind=kind: bench.height(kind, tool)  # type: ignore[misc]
        yield lambda bench, kind=kind: bench.base_circle(kind, tool)  # type: ignore[misc]
    for position in [p for p in shaft.journals if p is not Position.FRONT]:
        yield lambda bench, position=position: bench.journal(position, tool)  # type: ignore[misc]


def asked_for(wanted: NextReading, shaft: Shaft, tool: Instrument) -> Step | None:
    """The reading the service asks for, or None where this caller cannot take it."""
    kind = LobeKind(wanted.lobe) if wanted.lobe is not None else None
    if wanted.feature == Feature.ZERO_CHECK:
        return lambda bench: bench.zero_check(tool)
    if wanted.instrument is not tool or (kind is not None and kind not in shaft.kinds):
        return None
    if wanted.feature == Feature.JOURNAL_DIAMETER and wanted.position is not None:
        position = Position(wanted.position)
        return (lambda bench: bench.journal(position, tool)) if position in shaft.journals else None
    if wanted.feature == Feature.OVERALL_LENGTH:
        return lambda bench: bench.overall_length()
    takes = {
        Feature.LOBE_HEIGHT: Bench.height,
        Feature.BASE_CIRCLE: Bench.base_circle,
        Feature.FLANK_WIDTH: Bench.flank_width,
    }
    take = takes.get(Feature(wanted.feature)) if wanted.feature in set(Feature) else None
    return None if take is None or kind is None else lambda bench: take(bench, kind, tool)


class Callers:
    """The same callers for both ways of asking."""

    def __init__(self, seed: int) -> None:
        self.catalogue = fixture_catalogue()
        self.world, self.seed = World(slip_rates=dict.fromkeys(World().slip_rates, 0.0)), seed
        self.supply = Supply(self.catalogue, self.world, np.random.default_rng([seed, 0]))
        self.table: CatalogueTable = build_table(self.catalogue)
        self.classes = classes_of(self.catalogue)

    def bench(self, number: int) -> Bench:
        """Caller `number`, tools at hand, nothing read yet."""
        rng = np.random.default_rng([self.seed, 2, number])
        shaft = draw_shaft(self.supply, self.world, rng)
        bench, _ = set_up(shaft, self.world, rng)
        bench.main = Instrument.DIGITAL_CALIPER
        return bench

    def _told(self, bench: Bench) -> Submission:
        tool = Instrument.DIGITAL_CALIPER
        condition = bench.shaft.condition
        return Submission(
            Source.PHONE, bench.unit, tuple(bench.readings), instrument=tool, tools=(tool,), condition=condition
        )

    def by_script(self, number: int) -> Ending:
        """The fixed order."""
        bench = self.bench(number)
        bench.journal(Position.FRONT, bench.main)
        steps = script(bench.shaft, bench.main)
        while True:
            answer = identify(self.table, self._told(bench), explain=False)
            step = next(steps, None)
            if answer.state in DECIDED or step is None:
                return self._ending(bench, answer.state, answer.candidates[0].part_number if answer.candidates else "")
            step(bench)

    def by_choice(self, number: int, *, zero_checks: bool = True) -> Ending:
        """Each time what the service asks for."""
        bench = self.bench(number)
        bench.journal(Position.FRONT, bench.main)
        while True:
            answer = identify(self.table, self._told(bench))
            wanted = answer.next_reading
            if wanted is not None and wanted.feature == Feature.ZERO_CHECK and not zero_checks:
                wanted = None
            step = None if wanted is None else asked_for(wanted, bench.shaft, bench.main)
            if answer.state in DECIDED or step is None or len(bench.readings) >= MOST_READINGS:
                return self._ending(bench, answer.state, answer.candidates[0].part_number if answer.candidates else "")
            step(bench)

    def _ending(self, bench: Bench, state: AnswerState, leader: str) -> Ending:
        truth = bench.shaft.origin.part_number
        right = None
        if state is AnswerState.IDENTIFIED:
            right = truth is not None and leader in self.classes[truth]
        elif state is AnswerState.NOT_IN_CATALOGUE:
            right = truth is None
        return Ending(len(bench.readings), state, right)


def _print(name: str, endings: list[Ending]) -> None:
    decided = [e for e in endings if e.right is not None]
    wrong = sum(e.right is False for e in decided)
    readings = np.array([e.readings for e in endings], float)
    of_decided = np.array([e.readings for e in decided], float)
    print(
        f"  {name:<28}{len(decided) / len(endings):>10.1%}{wrong:>9}{readings.mean():>16.2f}"
        f"{of_decided.mean() if decided else float('nan'):>18.2f}"
    )


@click.command()
@click.option("--callers", default=300, show_default=True)
@click.option("--seed", default=20260, show_default=True)
def main(callers: int, seed: int) -> None:
    """Print how each way of asking fares."""
    everybody = Callers(seed)
    print(f"{callers} callers, each with one caliper and a square, number {seed}")
    print(f"  {'':<28}{'answered':>10}{'wrong':>9}{'readings taken':>16}{'to an answer':>18}")
    _print("fixed script", [everybody.by_script(i) for i in range(callers)])
    _print("the service choosing", [everybody.by_choice(i) for i in range(callers)])
    _print("  without zero checks", [everybody.by_choice(i, zero_checks=False) for i in range(callers)])


if __name__ == "__main__":
    main()

"""Putting the same simulated callers to the engine, the ceiling and the hand method, and keeping what was said."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np

from service.domain.catalogue import Catalogue
from service.domain.identification import AnswerState, Identification, Slip
from service.domain.readings import Feature
from service.identification.catalogue_table.table import build_table
from service.identification.engine import identify
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel
from tests.benchmarks.callers import Caller, Mistake, draw_caller
from tests.benchmarks.ceiling import told_model, told_table
from tests.benchmarks.classes import classes_of
from tests.benchmarks.hand_method import HandMethod
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import World

LEAST_PROBABILITY = 1e-9
"""Probability of a truth that an answer left out altogether, for the log score."""


@dataclass(frozen=True)
class Said:
    """What one posterior said of one caller. `right`: the leading class is the true one. `failure`: its traceback."""

    state: AnswerState | None
    leader: str | None
    top: float
    right: bool
    of_truth: float
    of_outside: float
    slips: frozenset[Slip]
    reground: float
    listed: int
    failure: str = ""


@dataclass(frozen=True)
class Case:
    """One caller, by number, with the truth and everybody's answer. `truth` is None for a stranger."""

    number: int
    truth: str | None
    near_stranger: bool
    undersize: float
    base_read: bool
    mistakes: tuple[Mistake, ...]
    misheard: bool
    engine: Said | None
    ceiling: Said | None
    hand_named: bool
    hand_right: bool
    hand_gap: float

    @property
    def far_stranger(self) -> bool:
        """A core that nobody knows."""
        return self.truth is None and not self.near_stranger


class Trial:
    """One world's callers on one catalogue. Caller `i` is the same whichever process draws it."""

    def __init__(
        self,
        catalogue: Catalogue,
        world: World,
        seed: int,
        *,
        engine: bool = True,
        ceiling: bool = True,
        constants: MeasuringModel = DEFAULT_MODEL,
    ) -> None:
        self.world, self.seed, self.constants = world, seed, constants
        self.classes = classes_of(catalogue)
        self.class_count = len(set(self.classes.values()))
        self.supply = Supply(catalogue, world, np.random.default_rng([seed, 0]))
        self.hand = HandMethod(catalogue, self.classes)
        self.model = told_model(world)
        self.table = build_table(catalogue, constants) if engine else None
        self.told_table = told_table(catalogue, self.supply, self.model) if ceiling else None

    def caller(self, number: int) -> Caller:
        """Caller `number` of this world: the namesake of caller `number` of every other world of this seed."""
        rng = np.random.default_rng([self.seed, 1, number])
        return draw_caller(self.supply, self.world, rng)

    def case(self, number: int) -> Case:
        """Draw a caller and ask everybody."""
        caller = self.caller(number)
        submission, origin = caller.submission, caller.shaft.origin
        engine = ceiling = None
        if self.table is not None:
            engine = self._said(caller, lambda: identify(self.table, submission, self.constants, explain=False))
        if self.told_table is not None:
            ceiling = self._said(caller, lambda: identify(self.told_table, submission, self.model, explain=False))
        by_hand = self.hand.answer(submission)
        return Case(
            number=number,
            truth=origin.part_number,
            near_stranger=origin.is_near,
            undersize=caller.shaft.undersize,
            base_read=any(r.feature in (Feature.BASE_CIRCLE, Feature.LOBE_HEIGHT) for r in submission.readings),
            mistakes=caller.mistakes,
            misheard=caller.misheard,
            engine=engine,
            ceiling=ceiling,
            hand_named=by_hand.part_number is not None,
            hand_right=by_hand.part_number is not None and self._is_truth(by_hand.part_number, caller),
            hand_gap=by_hand.gap_mm,
        )

    def _is_truth(self, number: str, caller: Caller) -> bool:
        truth = caller.shaft.origin.part_number
        return truth is not None and number in self.classes[truth]

    def _said(self, caller: Caller, ask: Callable[[], Identification]) -> Said:
        try:
            found = ask()
        except Exception:
            return Said(None, None, 0.0, False, LEAST_PROBABILITY, 0.0, frozenset(), 0.0, 0, traceback.format_exc())
        outside = found.not_in_catalogue_probability
        leader = max(found.candidates, key=lambda c: c.probability, default=None)
        truth = next((c for c in found.candidates if self._is_truth(c.part_number, caller)), None)
        if caller.shaft.origin.part_number is None:
            of_truth = outside
        elif truth is not None:
            of_truth = truth.probability
        else:
            unlisted = max(self.class_count - len(found.candidates), 1)
            of_truth = max(found.left_off_probability / unlisted, LEAST_PROBABILITY)
        return Said(
            state=found.state,
            leader=leader.part_number if leader else None,
            top=leader.probability if leader else 0.0,
            right=leader is not None and self._is_truth(leader.part_number, caller),
            of_truth=of_truth,
            of_outside=outside,
            slips=frozenset(s.slip for s in found.suspected_slips if s.probability >= 0.5),
            reground=truth.reground_probability if truth is not None else 0.0,
            listed=len(found.candidates),
        )


_trial: Trial | None = None


def _begin(catalogue: Catalogue, world: World, seed: int, engine: bool, ceiling: bool) -> None:
    global _trial
    _trial = Trial(catalogue, world, seed, engine=engine, ceiling=ceiling)


def _cases(numbers: range) -> list[Case]:
    assert _trial is not None
    return [_trial.case(number) for number in numbers]


def run_trial(
    catalogue: Catalogue, world: World, callers: int, seed: int, *, engine: bool = True, ceiling: bool = True,
    jobs: int = 1,
) -> list[Case]:  # fmt: skip
    """The first `callers` callers of `world`, put to everybody asked for; over `jobs` processes."""
    settings = (catalogue, world, seed, engine, ceiling)
    if jobs == 1:
        _begin(*settings)
        return _cases(range(callers))
    chunks = list(_chunks(callers, 250))
    with ProcessPoolExecutor(jobs, initializer=_begin, initargs=settings) as pool:
        return [case for cases in pool.map(_cases, chunks) for case in cases]


def _chunks(count: int, size: int) -> Iterator[range]:
    for start in range(0, count, size):
        yield range(start, min(start + size, count))

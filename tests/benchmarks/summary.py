"""From cases to figures: what one posterior, or the hand method, was worth on a world's callers."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from service.domain.identification import AnswerState, Slip
from tests.benchmarks.scores import ReliabilityBin, brier_score, coverage_at_error, log_score, reliability_bins
from tests.benchmarks.trial import Case, Said

REGROUND_FROM_MM = 0.25
"""A regrind shows from about this undersize on; a lighter one lies within making and hand."""
BOOTSTRAPS = 200


@dataclass(frozen=True)
class Share:
    """`count` of `of`; nothing of nothing is not a number."""

    count: int
    of: int

    @property
    def value(self) -> float:
        """The share itself."""
        return self.count / self.of if self.of else float("nan")

    def __str__(self) -> str:
        return f"{100 * self.value:.2f} % ({self.count}/{self.of})" if self.of else "none"


def share(cases: Sequence[Case], holds: Callable[[Case], bool]) -> Share:
    """How many of `cases` something holds for."""
    return Share(sum(1 for case in cases if holds(case)), len(cases))


@dataclass(frozen=True)
class Summary:
    """One posterior's figures."""

    coverage_1: float
    coverage_5: float
    log_score: float
    brier_of_leader: float
    bins: tuple[ReliabilityBin, ...]
    states: dict[AnswerState, Share]
    wrong_of_identified: Share
    wrong_by_cause: dict[str, int]
    near_named: Share
    far_named: Share
    slips_found: dict[Slip, Share]
    all_slips_found: Share
    slip_false_alarms: Share
    regrinds_found: Share
    regrind_false_alarms: Share
    failures: tuple[str, ...]

    @property
    def worst_gap(self) -> float:
        """Greatest excess of |stated - observed| over two standard errors, over the bins."""
        return max(abs(b.stated - b.observed) - 2 * b.standard_error for b in self.bins)


def cause_of(case: Case) -> str:
    """Why a case is hard, in one word or two."""
    if case.truth is None:
        return "near stranger" if case.near_stranger else "far stranger"
    if case.mistakes:
        return "slip " + "+".join(sorted(m.slip.value for m in case.mistakes))
    if case.misheard:
        return "digit misheard"
    return "reground" if case.undersize >= REGROUND_FROM_MM else "plain"


def summarise(cases: Sequence[Case], said_of: Callable[[Case], Said | None]) -> Summary:
    """Figures of one posterior over `cases`."""
    pairs = [(case, said) for case in cases if (said := said_of(case)) is not None]
    asked = [case for case, _ in pairs]
    answer = {case.number: said for case, said in pairs}
    top = np.array([said.top for _, said in pairs])
    right = np.array([said.right for _, said in pairs])
    named = [case for case, said in pairs if said.state is AnswerState.IDENTIFIED]
    wrong = [case for case in named if not answer[case.number].right]
    clean = [case for case in asked if not case.mistakes and not case.misheard]
    ours = [case for case in asked if case.truth is not None and case.base_read]

    def is_named(case: Case) -> bool:
        return answer[case.number].state is AnswerState.IDENTIFIED

    slipped: dict[Slip, list[bool]] = {}
    for case, said in pairs:
        for mistake in case.mistakes:
            if mistake.visible:
                slipped.setdefault(mistake.slip, []).append(mistake.slip in said.slips)
    found = [hit for hits in slipped.values() for hit in hits]
    return Summary(
        coverage_1=coverage_at_error(top, right, 0.01),
        coverage_5=coverage_at_error(top, right, 0.05),
        log_score=log_score([said.of_truth for _, said in pairs]),
        brier_of_leader=brier_score(top, right),
        bins=reliability_bins(top, right),
        states={state: share(asked, lambda c, s=state: answer[c.number].state is s) for state in AnswerState},
        wrong_of_identified=Share(len(wrong), len(named)),
        wrong_by_cause=dict(Counter(cause_of(case) for case in wrong).most_common()),
        near_named=share([case for case in asked if case.near_stranger], is_named),
        far_named=share([case for case in asked if case.far_stranger], is_named),
        slips_found={slip: Share(sum(slipped[slip]), len(slipped[slip])) for slip in Slip if slip in slipped},
        all_slips_found=Share(sum(found), len(found)),
        slip_false_alarms=share(clean, lambda c: bool(answer[c.number].slips)),
        regrinds_found=share(
            [case for case in ours if case.undersize >= REGROUND_FROM_MM and not case.mistakes],
            lambda c: answer[c.number].reground >= 0.5,
        ),
        regrind_false_alarms=share(
            [case for case in ours if case.undersize == 0 and not case.mistakes],
            lambda c: answer[c.number].reground >= 0.5,
        ),
        failures=tuple(said.failure for _, said in pairs if said.failure),
    )


@dataclass(frozen=True)
class HandSummary:
    """The hand method's figures; it states no probability."""

    coverage_1: float
    coverage_5: float
    named: Share
    wrong_of_named: Share
    near_named: Share
    far_named: Share


def summarise_hand(cases: Sequence[Case]) -> HandSummary:
    """Figures of the hand method over `cases`."""
    gap = np.array([case.hand_gap for case in cases])
    right = np.array([case.hand_right for case in cases])
    named = [case for case in cases if case.hand_named]
    return HandSummary(
        coverage_1=coverage_at_error(gap, right, 0.01),
        coverage_5=coverage_at_error(gap, right, 0.05),
        named=Share(len(named), len(cases)),
        wrong_of_named=share(named, lambda c: not c.hand_right),
        near_named=share([case for case in cases if case.near_stranger], lambda c: c.hand_named),
        far_named=share([case for case in cases if case.far_stranger], lambda c: c.hand_named),
    )


@dataclass(frozen=True)
class Ratio:
    """Engine's coverage over the ceiling's, with a bootstrap standard error over callers."""

    value: float
    standard_error: float


def coverage_ratio(cases: Sequence[Case], error: float) -> Ratio:
    """The engine's coverage at `error` as a share of the ceiling's, on the same callers."""
    both = [(case.engine, case.ceiling) for case in cases if case.engine and case.ceiling]
    top = np.array([[one.top, other.top] for one, other in both])
    right = np.array([[one.right, other.right] for one, other in both])

    def ratio(at: np.ndarray) -> float:
        engine, ceiling = (coverage_at_error(top[at, k], right[at, k], error) for k in (0, 1))
        return engine / ceiling if ceiling else float("nan")

    rng = np.random.default_rng(0)
    everyone = np.arange(len(both))
    draws = [ratio(rng.choice(everyone, len(both))) for _ in range(BOOTSTRAPS)]
    return Ratio(ratio(everyone), float(np.nanstd(draws)))

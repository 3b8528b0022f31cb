"""How far the desk can be trusted, out of the cases whose truth came out: agreement, reliability, consistency.

A proportion comes with its Wilson score interval (Wilson 1927), at 95 %. Reliability compares what was stated with what
came true, in bins; the Brier score (Brier 1950) is the mean square of the difference. Of two looks at one case, the
share that agrees is set against what chance would give, by Cohen's kappa (Cohen 1960).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

CONFIDENCE_LEVEL = 0.95
BINS = 10
ERROR_RATES = (0.01, 0.05)
"""Wrong answers in so many that the coverage is told for."""

NOBODYS = ""
"""Stands for a shaft that is no part of the catalogue, wherever a part number may stand."""


@dataclass(frozen=True)
class Judged:
    """One answer or decision of a case whose truth is known. `said` and `truth` are part numbers, or `NOBODYS`.

    `right` says whether they are the same grind: a class of part numbers counts as one.
    """

    said: str
    truth: str
    right: bool


@dataclass(frozen=True)
class ConfirmedAnswer:
    """The engine's last answer to a confirmed case.

    `named` is what it named, None where it named nothing. `stated` is the probability it gave its leading candidate,
    and `leading_right` whether that was the truth.
    """

    named: Judged | None
    stated: float
    leading_right: bool


@dataclass(frozen=True)
class ReviewerDecision:
    """A person's decision of a confirmed case; `judged` is None where they could not tell."""

    by: str
    confidence: str
    judged: Judged | None


@dataclass(frozen=True)
class TwoLooks:
    """What two, one after the other, said of one case: a part number, `NOBODYS`, or None: cannot tell.

    `first_by` is None where nobody had looked, and the first word is the automatic answer's.
    """

    first_by: str | None
    first: str | None
    second: str | None


@dataclass(frozen=True)
class Share:
    """How many of how many, with the interval that holds the true share 95 times in 100; None of none."""

    of: int
    count: int
    share: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Bin:
    """The answers whose stated probability lies from `start` to `end`: the mean stated, and how many came true."""

    start: float
    end: float
    mean_stated: float | None
    came_true: Share


@dataclass(frozen=True)
class Coverage:
    """The largest share of the cases that could be answered, surest first, with at most `error_rate` of them wrong.

    `least_stated` is the stated probability down to which that goes; None where nothing could be.
    """

    error_rate: float
    share: float
    least_stated: float | None


@dataclass(frozen=True)
class Reviewer:
    """One person's decisions of confirmed cases: how many were right in all, and by how sure they said they were."""

    by: str
    cannot_tell: int
    right: Share
    by_confidence: tuple[tuple[str, Share], ...]


@dataclass(frozen=True)
class TruthReport:
    """The report.

    `looks_agree` and `kappa` are of two people; `kappa` is None where there are no two looks, or chance alone would
    make them all agree. `sample_agrees` is how often somebody who looked at an automatic answer said the same.
    """

    cases: int
    named_right: Share
    leading_right: Share
    brier: float | None
    bins: tuple[Bin, ...]
    coverage: tuple[Coverage, ...]
    reviewers: tuple[Reviewer, ...]
    looks_agree: Share
    kappa: float | None
    sample_agrees: Share


def share_of(outcomes: Iterable[bool]) -> Share:
    """How many are true, with the Wilson interval."""
    listed = list(outcomes)
    count, of = sum(listed), len(listed)
    if not of:
        return Share(0, 0, None, None, None)
    from scipy.stats import binomtest  # here, because scipy.stats takes half a second to import

    interval = binomtest(count, of).proportion_ci(CONFIDENCE_LEVEL, method="wilson")
    return Share(of, count, count / of, float(interval.low), float(interval.high))


def reliability(answers: Sequence[ConfirmedAnswer]) -> tuple[Bin, ...]:
    """Stated and observed probability of the leading candidate, in `BINS` bins of equal width; 1 is in the last."""
    placed: list[list[ConfirmedAnswer]] = [[] for _ in range(BINS)]
    for answer in answers:
        placed[min(int(answer.stated * BINS), BINS - 1)].append(answer)
    return tuple(
        Bin(
            place / BINS,
            (place + 1) / BINS,
            sum(answer.stated for answer in there) / len(there) if there else None,
            share_of(answer.leading_right for answer in there),
        )
        for place, there in enumerate(placed)
    )


def coverage_at(answers: Sequence[ConfirmedAnswer], error_rate: float) -> Coverage:
    """How far down, by stated probability of the leading candidate, answers stay right often enough.

    Answers of one stated probability are taken together or not at all.
    """
    ranked = sorted(answers, key=lambda answer: -answer.stated)
    wrong, found = 0, Coverage(error_rate, 0.0, None)
    for count, answer in enumerate(ranked, 1):
        wrong += not answer.leading_right
        last_of_its_kind = count == len(ranked) or ranked[count].stated < answer.stated
        if last_of_its_kind and answer.stated > 0 and wrong <= error_rate * count:
            found = Coverage(error_rate, count / len(ranked), answer.stated)
    return found


def brier_score(answers: Sequence[ConfirmedAnswer]) -> float | None:
    """The mean square of stated probability minus outcome (0 or 1); None of none."""
    if not answers:
        return None
    return sum((answer.stated - answer.leading_right) ** 2 for answer in answers) / len(answers)


def cohens_kappa(pairs: Sequence[tuple[str, str]]) -> float | None:
    """(p_o - p_e) / (1 - p_e): agreement of two raters over that of chance.

    `pairs` are the two raters' categories of each case. None without cases, and where chance agrees always (p_e = 1).
    """
    if not pairs:
        return None
    count = len(pairs)
    observed = sum(first == second for first, second in pairs) / count
    firsts, seconds = Counter(first for first, _ in pairs), Counter(second for _, second in pairs)
    expected = sum(firsts[category] * seconds[category] for category in firsts) / count**2
    return None if expected == 1 else (observed - expected) / (1 - expected)


def truth_report(
    answers: Sequence[ConfirmedAnswer], decisions: Sequence[ReviewerDecision], looks: Sequence[TwoLooks]
) -> TruthReport:
    """The report on confirmed cases, on the people who decided them, and on cases that two people looked at."""
    people = sorted({decision.by for decision in decisions})
    pairs = [(_category(look.first), _category(look.second)) for look in looks if look.first_by is not None]
    sampled = [(_category(look.first), _category(look.second)) for look in looks if look.first_by is None]
    return TruthReport(
        cases=len(answers),
        named_right=share_of(answer.named.right for answer in answers if answer.named is not None),
        leading_right=share_of(answer.leading_right for answer in answers),
        brier=brier_score(answers),
        bins=reliability(answers),
        coverage=tuple(coverage_at(answers, error_rate) for error_rate in ERROR_RATES),
        reviewers=tuple(_reviewer(by, [one for one in decisions if one.by == by]) for by in people),
        looks_agree=share_of(first == second for first, second in pairs),
        kappa=cohens_kappa(pairs),
        sample_agrees=share_of(first == second for first, second in sampled),
    )


def _category(said: str | None) -> str:
    return "cannot tell" if said is None else f"part {said}"


def _reviewer(by: str, decisions: Sequence[ReviewerDecision]) -> Reviewer:
    told = [(one.confidence, one.judged.right) for one in decisions if one.judged is not None]
    return Reviewer(
        by,
        cannot_tell=len(decisions) - len(told),
        right=share_of(right for _, right in told),
        by_confidence=tuple(
            (confidence, share_of(right for given, right in told if given == confidence))
            for confidence in sorted({given for given, _ in told})
        ),
    )

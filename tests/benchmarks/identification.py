"""Simulated callers put to the engine, to the hand method and to the ceiling; prints plain tables.

    .venv/bin/python -m tests.benchmarks.identification [--callers N] [--seed S] [--world NAME|all]
        [--part-counts 250,10000] [--engine-only] [--jobs J] [--worst K]

The *hand method* gates by journal and takes the nearest lift. The *ceiling* is the engine told the simulated world's
true constants. Coverage at 1 % is the largest share of callers answered, surest first, with one answer in a hundred
wrong; callers with a shaft that is nobody's catalogue part count among them. Everything in the worlds is invented.
"""

from __future__ import annotations

import time
from collections.abc import Sequence

import click

from service.domain.catalogue import Catalogue
from service.domain.identification import AnswerState
from tests.benchmarks.catalogues import fixture_catalogue
from tests.benchmarks.summary import (
    HandSummary,
    Summary,
    cause_of,
    coverage_ratio,
    summarise,
    summarise_hand,
)
from tests.benchmarks.timing import shares_of_time, time_identifications
from tests.benchmarks.trial import Case, Trial, run_trial
from tests.benchmarks.worlds import WORLDS


def _row(name: str, *cells: object) -> None:
    print(f"  {name:<34}" + "".join(f"{cell!s:>24}" for cell in cells))


def _percent(value: float) -> str:
    return f"{100 * value:.1f} %"


def _print_figures(hand: HandSummary, voices: dict[str, Summary]) -> None:
    said = list(voices.values())
    _row("", "hand method", *voices)
    _row("coverage at 1 % error", _percent(hand.coverage_1), *(_percent(s.coverage_1) for s in said))
    _row("coverage at 5 % error", _percent(hand.coverage_5), *(_percent(s.coverage_5) for s in said))
    _row("log score (nat, less is better)", "-", *(f"{s.log_score:.4f}" for s in said))
    _row("Brier score of the leader", "-", *(f"{s.brier_of_leader:.4f}" for s in said))
    _row("identified (hand: named)", hand.named, *(s.states[AnswerState.IDENTIFIED] for s in said))
    _row("  of these wrong", hand.wrong_of_named, *(s.wrong_of_identified for s in said))
    _row("near strangers named as parts", hand.near_named, *(s.near_named for s in said))
    _row("far strangers named as parts", hand.far_named, *(s.far_named for s in said))
    for state in (AnswerState.AMBIGUOUS, AnswerState.NOT_IN_CATALOGUE, AnswerState.MORE_READINGS_NEEDED):
        _row(state.value.replace("_", " "), "-", *(s.states[state] for s in said))
    _row("visible slips found", "-", *(s.all_slips_found for s in said))
    for slip in {slip: None for s in said for slip in s.slips_found}:
        _row(f"  {slip.value}", "-", *(s.slips_found.get(slip, "-") for s in said))
    _row("slips seen where none was", "-", *(s.slip_false_alarms for s in said))
    _row("regrinds found (0.25 mm or more)", "-", *(s.regrinds_found for s in said))
    _row("regrinds seen where none was", "-", *(s.regrind_false_alarms for s in said))


def _print_reliability(name: str, summary: Summary, allowance: float) -> None:
    print(f"\n  reliability of the leading part's probability: {name} (allowed: {allowance} + 2 standard errors)")
    print(f"  {'bin':>5}{'callers':>9}{'stated':>9}{'observed':>10}{'std error':>11}{'difference':>12}")
    for i, found in enumerate(summary.bins, 1):
        verdict = "" if found.agrees(allowance) else "   FAILS"
        print(
            f"  {i:>5}{found.count:>9}{found.stated:>9.4f}{found.observed:>10.4f}{found.standard_error:>11.4f}"
            f"{found.stated - found.observed:>+12.4f}{verdict}"
        )


def _print_wrong(name: str, summary: Summary) -> None:
    causes = ", ".join(f"{cause} {count}" for cause, count in summary.wrong_by_cause.items())
    print(f"\n  identified and wrong, {name}: {causes or 'none'}")
    if summary.failures:
        print(f"  {name} raised {len(summary.failures)} times; the first:\n{summary.failures[0]}")


def _print_worst(cases: Sequence[Case], trial: Trial, count: int) -> None:
    wrong = [case for case in cases if case.engine and not case.engine.right and case.engine.leader]
    wrong.sort(key=lambda case: -case.engine.top if case.engine else 0.0)
    for case in wrong[:count]:
        said, told = case.engine, case.ceiling
        assert said is not None
        truth = case.truth or f"{'near' if case.near_stranger else 'far'} stranger"
        print(f"\n  caller {case.number}: {cause_of(case)}; truth {truth}")
        print(
            f"    said {said.leader} {said.top:.4f}, truth {said.of_truth:.2g}, outside {said.of_outside:.2g}", end=""
        )
        print(f"; ceiling said {told.leader} {told.top:.4f}, truth {told.of_truth:.2g}" if told else "")
        submission = trial.caller(case.number).submission
        print(f"    {submission.unit}, {submission.experience}, {submission.condition}, {submission.engine_family}")
        for r in submission.readings:
            tool = submission.instrument_of(r)
            where = f"{r.position or r.lobe or ''} {r.cylinder or ''}"
            values = " ".join(str(v) for v in r.values)
            print(f"      {r.feature} {where} {tool}: {values}")


def _print_world(cases: Sequence[Case], allowance: float) -> None:
    voices = {}
    if cases[0].engine:
        voices["engine"] = summarise(cases, lambda case: case.engine)
    if cases[0].ceiling:
        voices["ceiling"] = summarise(cases, lambda case: case.ceiling)
    _print_figures(summarise_hand(cases), voices)
    if len(voices) == 2:
        for error in (0.01, 0.05):
            ratio = coverage_ratio(cases, error)
            _row(f"engine / ceiling at {error:.0%}", f"{ratio.value:.3f} +- {ratio.standard_error:.3f}")
    for name, summary in voices.items():
        _print_reliability(name, summary, allowance)
    for name, summary in voices.items():
        _print_wrong(name, summary)


def _print_worlds_line(name: str, cases: Sequence[Case]) -> None:
    s = summarise(cases, lambda case: case.engine)
    cells = [_percent(s.coverage_1), _percent(s.coverage_5)]
    if cases[0].ceiling:
        cells += [f"{coverage_ratio(cases, error).value:.3f}" for error in (0.01, 0.05)]
    else:
        cells += ["-", "-"]
    cells += [
        f"{s.log_score:.3f}", _percent(s.states[AnswerState.IDENTIFIED].value),
        f"{100 * s.wrong_of_identified.value:.2f} %", f"{s.worst_gap:+.3f}", _percent(s.near_named.value),
        _percent(s.far_named.value),
    ]  # fmt: skip
    print(f"  {name:<22}" + "".join(f"{cell:>11}" for cell in cells), flush=True)


_WORLDS_HEAD = (
    "cov 1 %", "cov 5 %", "/ceil 1 %", "/ceil 5 %", "log score", "identif.", "wrong", "worst bin", "near named",
    "far named",
)  # fmt: skip


def _print_timings(counts: Sequence[int], seed: int) -> None:
    print("\nmilliseconds an identification (one thread; median / ninth decile)")
    print(f"  {'parts':>8}{'explain off':>18}{'explain on':>18}{'table, s':>10}")
    for count in counts:
        found = time_identifications(count, seed)
        plain, explained = (f"{a:.2f} / {b:.2f}" for a, b in (found.plain_ms, found.explained_ms))
        print(f"  {found.parts:>8}{plain:>18}{explained:>18}{found.table_s:>10.2f}", flush=True)
    print(f"\nshare of the time of an explained identification, {counts[-1]} parts")
    for step, share in shares_of_time(counts[-1], seed).items():
        print(f"  {step:<40}{100 * share:>6.1f} %")


@click.command(help=__doc__)
@click.option("--callers", default=4000, show_default=True, help="simulated callers of each world")
@click.option("--seed", default=20260, show_default=True)
@click.option("--world", "world_name", default="base", show_default=True, type=click.Choice(["all", *WORLDS]))
@click.option("--part-counts", default="250,10000", show_default=True, help="catalogue sizes to time; empty for none")
@click.option("--engine-only", is_flag=True, help="leave out the ceiling")
@click.option("--hand-only", is_flag=True, help="only the hand method")
@click.option("--jobs", default=1, show_default=True, help="processes to share the callers between")
@click.option("--worst", default=0, help="print the surest wrong answers")
@click.option("--allowance", default=0.03, show_default=True, help="reliability: what a bin may be out by")
def main(
    callers: int, seed: int, world_name: str, part_counts: str, engine_only: bool, hand_only: bool, jobs: int,
    worst: int, allowance: float,
) -> None:  # fmt: skip
    """Run what was asked for and print it."""
    catalogue = fixture_catalogue()
    names = list(WORLDS) if world_name == "all" else [world_name]
    print(f"{callers} callers a world, {len(catalogue.parts)} parts on {len(catalogue.cores)} cores, number {seed}")
    if len(names) > 1:
        print("worst bin: greatest |stated - observed| less two standard errors\n")
        print(f"  {'world':<22}" + "".join(f"{cell:>11}" for cell in _WORLDS_HEAD))
    for name in names:
        cases = _run(catalogue, name, callers, seed, engine_only, hand_only, jobs, quiet=len(names) > 1)
        if len(names) > 1:
            _print_worlds_line(name, cases)
        else:
            _print_world(cases, allowance)
            if worst:
                _print_worst(cases, Trial(catalogue, WORLDS[name], seed, engine=False, ceiling=False), worst)
    counts = [int(count) for count in part_counts.split(",") if count]
    if counts and not hand_only:
        _print_timings(counts, seed)


def _run(
    catalogue: Catalogue, name: str, callers: int, seed: int, engine_only: bool, hand_only: bool, jobs: int, *,
    quiet: bool,
) -> list[Case]:  # fmt: skip
    began = time.perf_counter()
    cases = run_trial(
        catalogue, WORLDS[name], callers, seed,
        engine=not hand_only, ceiling=not (engine_only or hand_only), jobs=jobs,
    )  # fmt: skip
    if not quiet:
        strangers = sum(case.truth is None for case in cases)
        slips = sum(bool(case.mistakes) for case in cases)
        print(
            f"world {name}: {strangers} strangers, {slips} callers with a slip, {time.perf_counter() - began:.0f} s\n"
        )
    return cases


if __name__ == "__main__":
    main()

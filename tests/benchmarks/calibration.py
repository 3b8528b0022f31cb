"""What confirmed cases teach, in worlds whose constants are halved and doubled.

    .venv/bin/python -m tests.benchmarks.calibration [--cases N] [--world NAME ...] [--asked CALLERS]

As many callers of a world are confirmed cases, a third of them held out of the fit. Beside each factor stands what it
is in the base world, fitted to other callers: the engine's constants are not that world's, nor are its laws, so it is
the ratio of the two that is known to be a half or two. With `--asked`, so many other callers of the world are answered
by the constants as they were and as refitted. Everything is invented.
"""

from __future__ import annotations

import math
import time
from dataclasses import replace

import click
import numpy as np

from service.identification.catalogue_table.table import build_table
from service.identification.learning.calibration import FACTORS, Calibration, LabelledCase, Learn, calibrate
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import fixture_catalogue
from tests.benchmarks.shafts import Supply
from tests.benchmarks.summary import summarise
from tests.benchmarks.trial import Trial
from tests.benchmarks.worlds import BASE, WORLDS, World

USUAL = ("zero_halved", "zero_doubled", "scatter_halved", "scatter_doubled", "technique_doubled", "everything_doubled")


def fitted(world: World, cases: int, seed: int) -> tuple[Calibration, float]:
    """A refit to the first callers of a world, and the seconds of CPU it took."""
    catalogue = fixture_catalogue()
    supply = Supply(catalogue, world, np.random.default_rng([seed, 0]))
    drawn = []
    for number in range(cases):
        caller = draw_caller(supply, world, np.random.default_rng([seed, 1, number]))
        drawn.append(LabelledCase(caller.submission, caller.shaft.origin.part_number))
    started = time.process_time()
    found = calibrate(build_table(catalogue), drawn, DEFAULT_MODEL, learn=Learn.CONSTANTS)
    return found, time.process_time() - started


def known_ratio(world: World, factor: str) -> float:
    """What a world's constants of one kind are to the base world's."""
    word, _, how = world.name.rpartition("_")
    touched = word in (factor, "everything")
    return {"halved": 0.5, "doubled": 2.0}.get(how, 1.0) if touched else 1.0


def _print(world: World, found: Calibration, base: Calibration, seconds: float) -> None:
    print(f"\n{world.name}: {found.fitted} cases fitted in {seconds:.0f} s of CPU, {found.held_out} held out")
    print(f"  {'':<12}{'factor':>8}{'error':>8}{'to base':>10}{'known':>8}{'away':>8}")
    for one, other in zip(found.factors, base.factors, strict=True):
        ratio, known = one.factor / other.factor, known_ratio(world, one.name)
        away = math.log(ratio / known) / math.hypot(one.log_sd, other.log_sd)
        print(f"  {one.name:<12}{one.factor:>8.2f}{one.log_sd:>8.2f}{ratio:>10.2f}{known:>8.2f}{away:>8.1f}")
    gain = found.of_constants
    assert gain
    print(
        f"  log score of those held out: {found.score_before:.3f} before, {found.score_after:.3f} after; "
        f"better by {gain.mean:.3f} (standard error {gain.sd:.3f})"
    )


def _print_answers(world: World, model: MeasuringModel, callers: int, seed: int) -> None:
    """What other callers of a world are told under the constants as they were, and as refitted."""
    print(f"  {callers} other callers:{'named':>12}{'wrong':>8}{'worst bin':>12}{'log score':>12}")
    for name, constants in (("as they were", DEFAULT_MODEL), ("refitted", model)):
        trial = Trial(fixture_catalogue(), world, seed, ceiling=False, constants=constants)
        found = summarise([trial.case(number) for number in range(callers)], lambda case: case.engine)
        named = found.wrong_of_identified
        print(f"  {name:<20}{named.of:>12}{named.count:>8}{found.worst_gap:>12.3f}{found.log_score:>12.3f}")


@click.command()
@click.option("--cases", default=240, show_default=True, help="Confirmed cases of each world.")
@click.option("--seed", default=20260, show_default=True)
@click.option("--world", "names", multiple=True, type=click.Choice(sorted(WORLDS)), default=USUAL)
@click.option("--asked", default=0, show_default=True, help="Other callers to answer by what was learned.")
def main(cases: int, seed: int, names: tuple[str, ...], asked: int) -> None:
    """Print what is learnt of each world."""
    base, seconds = fitted(replace(BASE, name="base"), cases, seed + 1)
    print(f"{cases} confirmed cases of each world, number {seed}; factors {', '.join(FACTORS)} on the engine's own")
    _print(BASE, base, base, seconds)
    for name in names:
        found, seconds = fitted(WORLDS[name], cases, seed)
        _print(WORLDS[name], found, base, seconds)
        if asked:
            _print_answers(WORLDS[name], found.model, asked, seed + 2)


if __name__ == "__main__":
    main()

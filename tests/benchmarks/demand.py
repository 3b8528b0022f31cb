"""What each part's share of callers is worth once confirmed cases have taught it; prints a plain table.

    .venv/bin/python -m tests.benchmarks.demand [--callers N] [--confirmed 0,100,500,2000] [--seed S] [--world NAME]
        [--uneven 0.25,0.5]

The same simulated callers are put to the engine with the catalogue's own shares, with shares learned from so many
confirmed callers of the same world, with the true shares, and to the ceiling, which is told the world's true constants
as well. Confirmed callers are others than those asked. An *uneven* row learns from as many as the last one, of whom
some parts' are confirmed more often than others': the logarithm of how often is normal with that spread, which no
model of the engine's knows of. Everything in the worlds is invented.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import click
import numpy as np

from service.identification.demand import class_shares, learn_demand, with_demand
from service.identification.table import CatalogueTable
from tests.benchmarks.catalogues import fixture_catalogue
from tests.benchmarks.summary import coverage_ratio, summarise
from tests.benchmarks.trial import Case, Trial
from tests.benchmarks.worlds import WORLDS


def confirmed_callers(trial: Trial, count: int, uneven: float = 0.0) -> list[str]:
    """The part numbers of `count` callers of a trial's world whose shafts turned out to be parts of the catalogue."""
    rng = np.random.default_rng([trial.seed, 3])
    how_often = np.exp(uneven * np.random.default_rng([trial.seed, 4]).standard_normal(trial.supply.chance.size))
    weight = trial.supply.chance * how_often
    drawn = np.searchsorted(np.cumsum(weight / weight.sum()), rng.random(count))
    return [trial.supply.catalogue.parts[min(int(i), weight.size - 1)].part_number for i in drawn]


def _asked(trial: Trial, table: CatalogueTable, callers: int) -> list[Case]:
    trial.table = table
    return [trial.case(number) for number in range(callers)]


def _lost(cases: Sequence[Case]) -> np.ndarray:
    return np.array([-math.log(max(case.engine.of_truth, 1e-300)) for case in cases if case.engine])


def _print(name: str, cases: Sequence[Case], before: Sequence[Case], ceiling: Sequence[Case], away: str) -> None:
    found = summarise(cases, lambda case: case.engine)
    gain = _lost(before) - _lost(cases)
    error = gain.std(ddof=1) / math.sqrt(gain.size)
    beside = [replace(case, ceiling=told.ceiling) for case, told in zip(cases, ceiling, strict=True)]
    ratios = [coverage_ratio(beside, at) for at in (0.01, 0.05)]
    cells = [
        away,
        f"{100 * found.coverage_1:.1f} %",
        f"{100 * found.coverage_5:.1f} %",
        *(f"{one.value:.3f} +- {one.standard_error:.3f}" for one in ratios),
        f"{found.log_score:.4f}",
        f"{gain.mean():.4f} +- {error:.4f}",
        str(found.wrong_of_identified),
    ]
    print(f"  {name:<24}" + "".join(f"{cell:>17}" for cell in cells), flush=True)


@click.command(help=__doc__)
@click.option("--callers", default=1000, show_default=True, help="callers asked")
@click.option("--confirmed", default="100,500,2000", show_default=True, help="confirmed callers learned from")
@click.option("--seed", default=20260, show_default=True)
@click.option("--world", "world_name", default="base", show_default=True, type=click.Choice(list(WORLDS)))
@click.option("--uneven", default="0.25,0.5", show_default=True, help="spreads of how often a part is confirmed")
def main(callers: int, confirmed: str, seed: int, world_name: str, uneven: str) -> None:
    """Run what was asked for and print it."""
    trial = Trial(fixture_catalogue(), WORLDS[world_name], seed)
    stated = trial.table
    assert stated is not None
    true = replace(stated, log_prior=np.log(trial.supply.chance))
    truth = class_shares(true)
    counts = [int(count) for count in confirmed.split(",")]
    print(f"{callers} callers of world {world_name}, number {seed}")
    heads = ("away, nat", "cov 1 %", "cov 5 %", "/ceil 1 %", "/ceil 5 %", "log score", "better by", "named wrong")
    print(f"  {'':<24}" + "".join(f"{head:>17}" for head in heads))

    ceiling = _asked(trial, stated, callers)
    trial.told_table = None

    def line(name: str, table: CatalogueTable) -> None:
        cases = ceiling if table is stated else _asked(trial, table, callers)
        away = float((truth * np.log(truth / class_shares(table))).sum())
        _print(name, cases, ceiling, ceiling, f"{away:.4f}")

    line("the catalogue's shares", stated)
    for count in counts:
        line(f"{count:,} confirmed", with_demand(stated, learn_demand(stated, confirmed_callers(trial, count))))
    for spread in (float(word) for word in uneven.split(",") if word):
        learned = learn_demand(stated, confirmed_callers(trial, counts[-1], spread))
        line(f"{counts[-1]:,}, uneven by {spread}", with_demand(stated, learned))
    line("the true shares", true)
    told = [replace(case, engine=case.ceiling) for case in ceiling]
    _print("the ceiling", told, ceiling, ceiling, "0")


if __name__ == "__main__":
    main()

"""What each part's share of callers is worth once confirmed cases have taught it; prints a plain table.

    .venv/bin/python -m tests.benchmarks.demand [--callers N] [--confirmed 100,500,2000] [--seed S] [--world NAME]
        [--uneven 0.25,0.5] [--check]

The same simulated callers are put to the engine with the catalogue's own shares, with shares learned from so many
confirmed callers of the same world, with the true shares, and to the ceiling, which is told the world's true constants
as well. Confirmed callers are others than those asked. An *uneven* row learns from as many as the last one, of whom
some parts' are confirmed more often than others': the logarithm of how often is normal with that spread, which no
model of the engine's knows of. Everything in the worlds is invented.

Each caller is weighed once, and the rows that come out are given the other shares' priors. What is left out of that
are rows that other shares would not have let go beforehand; `--check` weighs everybody anew under the last learned
shares and prints by how much the probability of the truth differs at most.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import click
import numpy as np

from service.identification.answer.decision import decide, standing
from service.identification.answer.losses import DEFAULT_LOSSES
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.learning.demand import class_shares, learn_demand, with_demand
from service.identification.measuring.model import DEFAULT_MODEL
from service.identification.posterior import Posterior, weigh
from tests.benchmarks.callers import Caller
from tests.benchmarks.catalogues import fixture_catalogue
from tests.benchmarks.summary import coverage_ratio, summarise
from tests.benchmarks.trial import LEAST_PROBABILITY, Case, Said, Trial
from tests.benchmarks.worlds import WORLDS


def confirmed_callers(trial: Trial, count: int, uneven: float = 0.0) -> list[str]:
    """The part numbers of `count` callers of a trial's world whose shafts turned out to be parts of the catalogue."""
    rng = np.random.default_rng([trial.seed, 3])
    how_often = np.exp(uneven * np.random.default_rng([trial.seed, 4]).standard_normal(trial.supply.chance.size))
    weight = trial.supply.chance * how_often
    drawn = np.searchsorted(np.cumsum(weight / weight.sum()), rng.random(count))
    return [trial.supply.catalogue.parts[min(int(i), weight.size - 1)].part_number for i in drawn]


def with_shares_of(posterior: Posterior, table: CatalogueTable) -> Posterior:
    """The same rows weighed by the shares of `table`, which is the posterior's but for these."""
    parts = posterior.rows.part
    moved = np.where(parts >= 0, (table.log_prior - posterior.table.log_prior)[parts], 0.0)
    weight = posterior.log_weight + moved
    return replace(
        posterior,
        table=table,
        rows=replace(posterior.rows, log_prior=posterior.rows.log_prior + moved),
        log_world=posterior.log_world + moved,
        log_weight=weight - np.logaddexp.reduce(weight, axis=None),
    )


def said_of(posterior: Posterior, caller: Caller) -> Said:
    """What a posterior says of a caller, as `identify` puts it."""
    stands, table = standing(posterior), posterior.table
    truth = caller.shaft.origin.part_number
    true_class = None if truth is None else int(table.class_of[table.part_numbers.index(truth)])
    place = np.flatnonzero(stands.order == true_class)
    named = stands.probability.size > 0
    if true_class is None:
        of_truth = stands.outside
    else:
        of_truth = float(stands.probability[place[0]]) if place.size else LEAST_PROBABILITY
    return Said(
        state=decide(stands, DEFAULT_LOSSES, readings_left=False),
        leader=table.class_numbers[stands.order[0]][0] if named else None,
        top=float(stands.probability[0]) if named else 0.0,
        right=named and int(stands.order[0]) == true_class,
        of_truth=of_truth,
        of_outside=stands.outside,
        slips=frozenset(),
        reground=0.0,
        listed=stands.order.size,
    )


def _lost(cases: Sequence[Case]) -> np.ndarray:
    return np.array([-math.log(max(case.engine.of_truth, 1e-300)) for case in cases if case.engine])


def _case(number: int, caller: Caller, said: Said, ceiling: Said) -> Case:
    origin = caller.shaft.origin
    return Case(
        number=number,
        truth=origin.part_number,
        near_stranger=origin.is_near,
        undersize=caller.shaft.undersize,
        base_read=True,
        mistakes=caller.mistakes,
        misheard=caller.misheard,
        engine=said,
        ceiling=ceiling,
        hand_named=False,
        hand_right=False,
        hand_gap=0.0,
    )


def _print(name: str, cases: Sequence[Case], before: Sequence[Case], away: str) -> None:
    found = summarise(cases, lambda case: case.engine)
    gain = _lost(before) - _lost(cases)
    error = gain.std(ddof=1) / math.sqrt(gain.size)
    ratios = [coverage_ratio(cases, at) for at in (0.01, 0.05)]
    cells = [
        away,
        f"{100 * found.coverage_1:.1f} %",
        f"{100 * found.coverage_5:.1f} %",
        *(f"{one.value:.3f} +- {one.standard_error:.3f}" for one in ratios),
        f"{found.log_score:.4f}",
        f"{gain.mean():.4f} +- {error:.4f}",
        str(found.wrong_of_identified),
    ]
    print(f"  {name:<24}" + "".join(f"{cell:>19}" for cell in cells), flush=True)


@click.command(help=__doc__)
@click.option("--callers", default=1000, show_default=True, help="callers asked")
@click.option("--confirmed", default="100,500,2000", show_default=True, help="confirmed callers learned from")
@click.option("--seed", default=20260, show_default=True)
@click.option("--world", "world_name", default="base", show_default=True, type=click.Choice(list(WORLDS)))
@click.option("--uneven", default="0.25,0.5", show_default=True, help="spreads of how often a part is confirmed")
@click.option("--check", is_flag=True, help="weigh everybody anew under the last learned shares")
def main(callers: int, confirmed: str, seed: int, world_name: str, uneven: str, check: bool) -> None:
    """Run what was asked for and print it."""
    trial = Trial(fixture_catalogue(), WORLDS[world_name], seed)
    stated, told = trial.table, trial.told_table
    assert stated is not None
    assert told is not None
    true = replace(stated, log_prior=np.log(trial.supply.chance))
    truth = class_shares(true)
    tables = {"the catalogue's shares": stated}
    counts = [int(count) for count in confirmed.split(",")]
    for count in counts:
        tables[f"{count:,} confirmed"] = with_demand(stated, learn_demand(stated, confirmed_callers(trial, count)))
    last = tables[f"{counts[-1]:,} confirmed"]
    for spread in (float(word) for word in uneven.split(",") if word):
        unevenly = learn_demand(stated, confirmed_callers(trial, counts[-1], spread))
        tables[f"{counts[-1]:,}, uneven by {spread}"] = with_demand(stated, unevenly)
    tables["the true shares"] = true
    cases: dict[str, list[Case]] = {name: [] for name in (*tables, "the ceiling")}
    furthest = 0.0
    for number in range(callers):
        caller = trial.caller(number)
        posterior = weigh(stated, caller.submission, DEFAULT_MODEL)
        ceiling = said_of(weigh(told, caller.submission, trial.model), caller)
        for name, table in tables.items():
            said = said_of(with_shares_of(posterior, table), caller)
            cases[name].append(_case(number, caller, said, ceiling))
            if check and table is last:
                anew = said_of(weigh(table, caller.submission, DEFAULT_MODEL), caller)
                furthest = max(furthest, abs(anew.of_truth - said.of_truth))
        cases["the ceiling"].append(_case(number, caller, ceiling, ceiling))
    strangers = sum(case.truth is None for case in cases["the ceiling"])
    print(f"{callers} callers of world {world_name}, {strangers} of them with a stranger, number {seed}")
    heads = ("away, nat", "cov 1 %", "cov 5 %", "/ceil 1 %", "/ceil 5 %", "log score", "better by", "named wrong")
    print(f"  {'':<24}" + "".join(f"{head:>19}" for head in heads))
    for name, asked in cases.items():
        shares = class_shares(tables.get(name, true))
        away = float((truth * np.log(truth / shares)).sum())
        _print(name, asked, cases["the catalogue's shares"], f"{away:.4f}")
    if check:
        print(f"weighed anew, the probability of the truth differs by {furthest:.2g} at most")


if __name__ == "__main__":
    main()

"""One identification on catalogues that grow by cores, beside a search for the nearest parts; and what is let go.

    .venv/bin/python -m tests.benchmarks.scaling [--sizes 250,10000,100000,1000000] [--callers N]

The callers hold parts of the smallest catalogue, of which every other is the continuation: the same submissions of 5
to 7 readings, some repeated, are put to each size in turn, so that what else the machine does falls on all alike. Times
are CPU milliseconds of one core. Everything is invented.
"""

from __future__ import annotations

import gc
import itertools
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import click
import numpy as np
import psycopg

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.stored_table import StoredColumn, read_table, stored_table
from service.domain.arrays import Floats, Ints
from service.domain.readings import Submission
from service.identification.catalogue_table.table import LOBES, CatalogueTable, build_table
from service.identification.engine import ENGINE_VERSION, identify
from service.identification.entries.entries import Entry, hands, is_used
from service.identification.entries.entry_source import EntrySource
from service.identification.entries.slips import hypotheses
from service.identification.measuring.model import DEFAULT_MODEL
from service.identification.numerics.densities import log_sum_exp
from service.identification.posterior import Posterior, weigh
from service.identification.watch import EXACT, ROUGH, SCREENING, STRANGERS
from service.serving.collecting import collect_seldom
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.catalogues import grown_catalogue
from tests.benchmarks.let_go import CUTS, LetGo, far_off, let_go, shown_nats
from tests.benchmarks.nearest import NEAREST, Indexed, Trees, point, score
from tests.benchmarks.shafts import Supply
from tests.benchmarks.stages import REST_OF_POSTERIOR, STEPS, identify_watched, line
from tests.benchmarks.worlds import WORLDS, World

READINGS = range(5, 8)
WARMING = 3
QUERIES = 4
"""Times each query to Postgres is put: one takes too little to be told."""
FAR_OFF_MM = (0.2, 0.4, 0.6, 0.8, 1.0, 1.2)


def _made(parts: int) -> list[StoredColumn]:
    collect_seldom()
    return list(stored_table(build_table(grown_catalogue(parts))))


def table_of(parts: int) -> CatalogueTable:
    """A grown catalogue's table, made in a process of its own: a million parts as objects are thrown away with it."""
    with ProcessPoolExecutor(1) as elsewhere:
        return read_table(elsewhere.submit(_made, parts).result())


def submissions_of(parts: int, world: World, seed: int, count: int) -> list[Submission]:
    """So many submissions of 5 to 7 readings, at least one of them repeated, from callers who hold these parts."""
    supply = Supply(grown_catalogue(parts), world, np.random.default_rng([seed, 0]))
    drawn = (draw_caller(supply, world, np.random.default_rng([seed, 2, i])).submission for i in itertools.count())
    fitting = (s for s in drawn if len(s.readings) in READINGS and any(len(r.values) > 1 for r in s.readings))
    return list(itertools.islice(fitting, count))


def cpu_ms(work: Callable[[], object]) -> float:
    """CPU milliseconds of one call."""
    began = time.process_time()
    work()
    return 1000 * (time.process_time() - began)


POSTERIOR_ALONE, PLAIN, WHOLE = "posterior alone", "identify, explain off", "identify, whole"
IN_POSTGRES, WITH_CLIENT = "Postgres nearest 50, server", "Postgres nearest 50, with client"
IN_TREE, SCORED, SCORED_SLIPS = "k-d tree nearest 50", "and those scored as written", "and scored under every slip"
TIMED = (POSTERIOR_ALONE, PLAIN, WHOLE, IN_POSTGRES, WITH_CLIENT, IN_TREE, SCORED, SCORED_SLIPS)


@dataclass
class Size:
    """One catalogue, and what was seen on it: a figure a caller, in the callers' order."""

    table: CatalogueTable
    indexed: Indexed
    trees: Trees
    ms: dict[str, list[float]] = field(default_factory=dict)
    stage_ms: list[dict[str, float]] = field(default_factory=list)
    counts: list[dict[str, float]] = field(default_factory=list)
    missed: list[float] = field(default_factory=list)

    @property
    def parts(self) -> int:
        """Part numbers in it."""
        return len(self.table.part_numbers)

    def took(self, what: str, ms: float) -> None:
        """Keep a time."""
        self.ms.setdefault(what, []).append(ms)


def ask_engine(size: Size, submission: Submission) -> Posterior:
    """Time one caller's identification, whole and in its parts; then watch its steps."""
    table = size.table
    found = weigh(table, submission, DEFAULT_MODEL)  # and the caches warm, for each of the three alike
    size.took(POSTERIOR_ALONE, cpu_ms(lambda: weigh(table, submission, DEFAULT_MODEL)))
    size.took(PLAIN, cpu_ms(lambda: identify(table, submission, explain=False)))
    size.took(WHOLE, cpu_ms(lambda: identify(table, submission)))
    seen = identify_watched(table, submission)
    size.stage_ms.append(seen.own_ms)
    size.counts.append(seen.counts)
    return found


def ask_nearest(size: Size, submission: Submission, found: Posterior) -> None:
    """Time the same caller's nearest parts, and those of the tree scored."""
    at = point(submission, DEFAULT_MODEL)
    size.indexed.nearest(at)
    before, began = size.indexed.server_ms(), time.process_time()
    for _ in range(QUERIES):
        in_postgres = size.indexed.nearest(at)
    server = (size.indexed.server_ms() - before) / QUERIES
    size.took(IN_POSTGRES, server)
    size.took(WITH_CLIENT, server + 1000 * (time.process_time() - began) / QUERIES)
    nearest = size.trees.nearest(at)
    in_tree = cpu_ms(lambda: size.trees.nearest(at))
    size.took(IN_TREE, in_tree)
    for what, every in ((SCORED, False), (SCORED_SLIPS, True)):
        size.took(what, in_tree + cpu_ms(partial(_scored, size.table, submission, nearest, every)))
    size.missed.append(_missed(found, in_postgres))


def _scored(table: CatalogueTable, submission: Submission, parts: Ints, every_slip: bool) -> Floats:
    """The fifty by the engine's own likelihood under every hand: as written, or under every slip."""
    source = EntrySource(submission, DEFAULT_MODEL, table.families)
    ratios = {k: tuple(np.unique(table.ratio[parts, k][np.isfinite(table.ratio[parts, k])]).tolist()) for k in (0, 1)}
    every = hypotheses(submission, DEFAULT_MODEL, ratios, tuple(LOBES))
    used = is_used(submission)
    asked: list[tuple[Sequence[Entry], float]] = [
        (source.of(slip, hand.level), hand.wear if used else 0.0)
        for slip in (every if every_slip else every[:1])
        for hand in hands(submission, DEFAULT_MODEL)
    ]
    return log_sum_exp(score(table, parts, asked, DEFAULT_MODEL), axis=0)


def _missed(found: Posterior, nearest: Ints) -> float:
    """The probability, of what the parts hold together, of those that are not among the nearest."""
    of_part = found.rows.part >= 0
    among = np.isin(found.rows.part, nearest)
    held = float(found.row_probability[of_part].sum())
    return float(found.row_probability[of_part & ~among].sum()) / held if held > 0 else 0.0


@contextmanager
def a_postgres() -> Iterator[EmbeddedPostgres]:
    """A server of our own, thrown away."""
    with tempfile.TemporaryDirectory(prefix="lobedesk-scaling-") as name:
        (Path(name) / "run").mkdir(mode=0o700)
        server = EmbeddedPostgres(Path(name) / "postgres", Path(name) / "run")
        server.start()
        try:
            yield server
        finally:
            server.stop()


def _size(parts: int, server: EmbeddedPostgres, stack: ExitStack, asked: Sequence[Floats]) -> Size:
    began = time.perf_counter()
    table = table_of(parts)
    with psycopg.connect(server.url(), autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE parts_{parts}".encode())
    connection = stack.enter_context(psycopg.connect(server.url(f"parts_{parts}"), autocommit=True))
    size = Size(table, Indexed(connection, table), Trees(table, asked))
    click.echo(
        f"{size.parts:,} parts on {len(table.core_codes):,} cores ready in {time.perf_counter() - began:.0f} s;"
        f" Postgres goes by {', '.join(sorted({size.indexed.plan(at) for at in asked}))}",
        err=True,
    )
    return size


def _table(title: str, head: Sequence[str], rows: Sequence[tuple[str, Sequence[str]]]) -> None:
    click.echo(f"\n{title}\n")
    click.echo(f"| | {' | '.join(head)} |\n|---|{'---|' * len(head)}")
    for name, cells in rows:
        click.echo(f"| {name} | {' | '.join(cells)} |")


def print_times(sizes: Sequence[Size]) -> None:
    """Median and mean of each, and to the first size's."""
    rows = []
    for what in TIMED:
        first = sizes[0].ms[what]
        cells = []
        for size in sizes:
            ms = size.ms[what]
            ratio = np.median(np.array(ms) / first)
            cells.append(
                f"{np.median(ms):.2f} / {np.mean(ms):.2f}"
                + (f" ({np.mean(ms) / np.mean(first):.2f}; {ratio:.2f})" if size is not sizes[0] else "")
            )
        rows.append((what, cells))
    title = "CPU ms, median / mean (to the first size's: of the means; median of the callers' own)"
    _table(title, [f"{size.parts:,}" for size in sizes], rows)
    shares = [f"{100 * np.mean(size.missed):.1f} %" for size in sizes]
    over = [f"{100 * np.mean(np.array(size.missed) > 0.01):.0f} %" for size in sizes]
    _table(
        f"what the nearest {NEAREST} leave out of the probability that parts hold",
        [f"{size.parts:,}" for size in sizes],
        [("mean", shares), ("callers of whom more than 1 %", over)],
    )


def print_stages(sizes: Sequence[Size]) -> None:
    """Where the time goes, what they work on, and what an item of it takes."""
    head = [f"{size.parts:,}" for size in sizes]
    rows = []
    for step in STEPS:
        cells = []
        for size in sizes:
            whole = sum(sum(ms.values()) for ms in size.stage_ms)
            own = sum(ms.get(step, 0.0) for ms in size.stage_ms)
            cells.append(f"{own / len(size.stage_ms):.1f} ({100 * own / whole:.0f} %)")
        rows.append((step, cells))
    _table("mean CPU ms of each step (share of those watched)", head, rows)
    names = dict.fromkeys(name for size in sizes for counts in size.counts for name in counts)
    rows = []
    for name in names:
        cells = []
        for size in sizes:
            seen = [counts.get(name, 0.0) for counts in size.counts]
            digits = 2 if max(seen) <= 1 else 0
            cells.append(f"{np.median(seen):,.{digits}f} / {np.mean(seen):,.{digits}f}")
        rows.append((name, cells))
    _table("counts, median / mean", head, rows)
    lines = (
        (SCREENING, "slips x cores"),
        (SCREENING, "boxes looked at"),
        (SCREENING, "parts looked at x slips x hands"),
        (STRANGERS, "slips x cores kept"),
        (ROUGH, "rough: rows x slips x hands"),
        (EXACT, "exact: rows x slips x hands"),
        (REST_OF_POSTERIOR, "rows reckoned roughly"),
    )
    rows = []
    for step, name in lines:
        counts = [counts.get(name, 0.0) for size in sizes for counts in size.counts]
        found = line(counts, [ms.get(step, 0.0) for size in sizes for ms in size.stage_ms])
        rows.append((step, [name, f"{found.fixed:.2f}", f"{1e6 * found.each:,.0f}", f"{found.explained:.2f}"]))
    _table(
        "a line through all callers' times, each count by itself",
        ["count", "ms fixed", "ns each", "variance explained"],
        rows,
    )


def _lost_to(name: str, one: LetGo) -> float:
    return one.lost_to.get(name, float("nan"))


def print_let_go(seen: dict[int, list[LetGo]]) -> None:
    """What the cuts cost."""
    head = [f"{parts:,} ({len(some)} callers)" for parts, some in seen.items()]

    def row(figure: Callable[[LetGo], float], form: str = ".1e") -> list[str]:
        found = [[figure(one) for one in some] for some in seen.values()]
        return [f"{np.median(each):{form}} / {np.quantile(each, 0.9):{form}} / {max(each):{form}}" for each in found]

    rows = [
        ("lost to all cuts", row(lambda one: one.lost)),
        ("most that any part moves", row(lambda one: one.most_moved)),
        ("that the leading part moves", row(lambda one: one.leader_moved)),
    ]
    for name in CUTS:
        cells = row(partial(_lost_to, name))
        whole = [any(one.lost_to for one in some) for some in seen.values()]
        shown = [cell if told else "-" for cell, told in zip(cells, whole, strict=True)]
        rows.append((f"lost to {name} alone ({shown_nats(name)} nats)", shown))
    rows += [
        ("nats by which the rough reckoning undervalues", row(lambda one: one.undervalued_nats, ".1f")),
        ("cells without cuts", row(lambda one: one.cells, ",.0f")),
        ("cells left", row(lambda one: one.cells_left, ",.0f")),
    ]
    _table("what is let go: median / ninth decile / most", head, rows)
    behind = zip(FAR_OFF_MM, far_off(FAR_OFF_MM, DEFAULT_MODEL), strict=True)
    _table(
        "nats that one far reading puts a part behind",
        ["by the screen", "exactly"],
        [(f"{away} mm", [f"{screened:.1f}", f"{exact:.1f}"]) for away, (screened, exact) in behind],
    )


def _pairs(text: str) -> dict[int, int]:
    return {int(size): int(count) for size, _, count in (one.partition("=") for one in text.split(",") if one)}


@click.command(help=__doc__)
@click.option("--sizes", default="250,10000,100000,1000000", show_default=True, help="parts, the smallest first")
@click.option("--callers", default=100, show_default=True)
@click.option("--seed", default=20260, show_default=True)
@click.option("--world", "world_name", default="base", show_default=True, type=click.Choice(sorted(WORLDS)))
@click.option(
    "--uncut", default="250=100,10000=12", show_default=True,
    help="parts=callers to compare with no cuts at all; empty for none",
)  # fmt: skip
def main(sizes: str, callers: int, seed: int, world_name: str, uncut: str) -> None:
    """Print the tables."""
    wanted = [int(parts) for parts in sizes.split(",") if parts]
    compared = _pairs(uncut)
    smallest = min([*wanted, *compared])
    world = WORLDS[world_name]
    submissions = submissions_of(smallest, world, seed, max(callers, *compared.values(), 1))
    click.echo(
        f"engine {ENGINE_VERSION}; {callers} callers of world {world_name} who hold one of {smallest} parts, number"
        f" {seed}; {np.mean([len(s.readings) for s in submissions]):.1f} readings each,"
        f" {np.mean([sum(len(r.values) for r in s.readings) for s in submissions]):.1f} values"
    )
    if wanted:
        grow(wanted, submissions[:callers])
    seen = {}
    for parts, count in compared.items():
        table = table_of(parts)
        with click.progressbar(submissions[:count], label=f"uncut, {parts}", file=sys.stderr) as asked:
            # each cut alone takes as long as none: at the smallest size only
            seen[parts] = [let_go(table, one, DEFAULT_MODEL, each=parts == min(compared)) for one in asked]
    if seen:
        print_let_go(seen)


def grow(wanted: Sequence[int], submissions: Sequence[Submission]) -> None:
    """Put the submissions to catalogues of these sizes and print what it took."""
    asked = [point(submission, DEFAULT_MODEL) for submission in submissions]
    with a_postgres() as server, ExitStack() as stack:
        made = [_size(parts, server, stack, asked) for parts in sorted(wanted)]
        gc.freeze()
        for size in made:
            for submission in submissions[:WARMING]:
                identify(size.table, submission)
        with click.progressbar(submissions, label="callers", file=sys.stderr) as several:
            for submission in several:
                for size in made:
                    ask_nearest(size, submission, ask_engine(size, submission))
        print_times(made)
        print_stages(made)


if __name__ == "__main__":
    main()

"""The fifty parts nearest to what was read: out of an index of Postgres, and out of a k-d tree.

A part is a point: front journal, base circle and lift of both lobes, length, each divided by about what a reading of it
strays, so that all count alike. What was not read counts for nothing: a box from end to end of that side for Postgres
(its `cube` measures from boxes too), a tree over the other sides for the k-d tree.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import psycopg
from scipy.spatial import cKDTree

from service.domain.arrays import Floats, Ints
from service.domain.readings import Submission
from service.identification.catalogue_table.rows import Kind, join, nonsense_row, part_rows
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.entries.entries import Entry, Truth, entry_of
from service.identification.likelihood.likelihood import log_likelihood
from service.identification.measuring.model import MeasuringModel

NEAREST = 50
STRAYS_MM = np.array([0.03, 0.05, 0.05, 0.05, 0.05, 0.3])
"""What a reading of each side strays, about (our own choice; no source)."""


def points(table: CatalogueTable) -> Floats:
    """Every part as a point, in what readings stray: (N, 6). A side that is not stated lies at the middle of all."""
    of_part = [
        table.journal[table.core_of, 0], table.base[:, 0], table.lift[:, 0], table.base[:, 1], table.lift[:, 1],
        table.length[table.core_of],
    ]  # fmt: skip
    found = np.stack(of_part, axis=1)
    return np.asarray(np.where(np.isfinite(found), found, np.nanmean(found, axis=0)) / STRAYS_MM)


def point(submission: Submission, model: MeasuringModel) -> Floats:
    """What was read, as written, as such a point, NaN where it was not: (6,)."""
    read: list[list[float]] = [[] for _ in STRAYS_MM]
    heights: dict[object, list[float]] = {}
    bases: dict[object, list[float]] = {}
    for index, reading in enumerate(submission.readings):
        e = entry_of(index, reading, submission, model, 1.0)
        if e is None:
            continue
        size = e.mean - e.sign * e.tail
        if e.truth is Truth.JOURNAL:
            read[0].append(size)
        elif e.truth is Truth.LENGTH:
            read[5].append(size)
        elif e.truth is Truth.LIFT:
            read[2 + 2 * _lobe(e)].append(size)
        elif e.truth is Truth.BASE:
            read[1 + 2 * _lobe(e)].append(size)
            bases.setdefault(e.group, []).append(size)
        elif e.truth is Truth.HEIGHT:
            heights.setdefault(e.group, []).append(size)
    for group in heights.keys() & bases.keys():
        assert isinstance(group, tuple)
        read[2 + 2 * int(group[1])].append(float(np.mean(heights[group]) - np.mean(bases[group])))
    return np.asarray(np.array([np.mean(sizes) if sizes else np.nan for sizes in read]) / STRAYS_MM, float)


def _lobe(e: Entry) -> int:
    return int(str(e.group[1]))


class Indexed:
    """The parts in a table of Postgres with its best index for what is nearest: GiST over `cube`."""

    def __init__(self, connection: psycopg.Connection, table: CatalogueTable) -> None:
        every = points(table)
        self._low, self._high = every.min(axis=0), every.max(axis=0)
        self._connection = connection
        connection.execute("CREATE EXTENSION IF NOT EXISTS cube")
        connection.execute("CREATE TABLE part_points (part integer NOT NULL, at cube NOT NULL)")
        with connection.cursor().copy("COPY part_points FROM STDIN") as copy:
            for part, sides in enumerate(every):
                copy.write_row((part, "(" + ",".join(f"{side:.5f}" for side in sides) + ")"))
        connection.execute("CREATE INDEX part_points_at ON part_points USING gist (at)")
        connection.execute("VACUUM ANALYZE part_points")
        connection.execute("SET max_parallel_workers_per_gather = 0")
        connection.execute("SET jit = off")

    _NEAREST = f"SELECT part FROM part_points ORDER BY at <-> cube(%s::float8[], %s::float8[]) LIMIT {NEAREST}"

    def _corners(self, at: Floats) -> tuple[list[float], list[float]]:
        unread = np.isnan(at)
        return np.where(unread, self._low, at).tolist(), np.where(unread, self._high, at).tolist()

    def nearest(self, at: Floats) -> Ints:
        """The nearest parts to a point."""
        rows = self._connection.execute(self._NEAREST, self._corners(at), prepare=True).fetchall()
        return np.array([row[0] for row in rows], np.int64)

    def plan(self, at: Floats) -> str:
        """How Postgres finds them: the scan that it chose."""
        rows = self._connection.execute("EXPLAIN " + self._NEAREST, self._corners(at)).fetchall()
        scans = [str(row[0]).strip(" ->").split(" on ")[0] for row in rows if "Scan" in row[0]]
        return scans[-1]

    def server_ms(self) -> float:
        """CPU milliseconds the connection's server process has used so far."""
        # nanoseconds on a processor: proc_pid_schedstat, Documentation/scheduler/sched-stats.rst of Linux
        return int(Path(f"/proc/{self._connection.info.backend_pid}/schedstat").read_text().split()[0]) / 1e6


class Trees:
    """A k-d tree for each set of sides that callers read."""

    def __init__(self, table: CatalogueTable, asked: Sequence[Floats]) -> None:
        every = points(table)
        self._trees = {sides: cKDTree(every[:, list(sides)]) for sides in {_sides(at) for at in asked}}
        self._count = min(NEAREST, len(every))

    def nearest(self, at: Floats) -> Ints:
        """The nearest parts to a point."""
        sides = _sides(at)
        return np.asarray(self._trees[sides].query(at[list(sides)], k=self._count)[1], np.int64)


def _sides(at: Floats) -> tuple[int, ...]:
    return tuple(int(side) for side in np.flatnonzero(np.isfinite(at)))


def score(
    table: CatalogueTable,
    parts: Ints,
    hypotheses: Sequence[tuple[Sequence[Entry], float]],
    model: MeasuringModel,
) -> Floats:
    """Log-likelihood of each hypothesis' entries, at its factor on wear, under `parts` as made and reground, and
    nonsense: (H, 2 parts + 1)."""
    zeros = np.zeros(parts.size)
    rows = join(
        part_rows(table, parts, Kind.MADE, zeros), part_rows(table, parts, Kind.REGROUND, zeros), nonsense_row(model)
    )
    return log_likelihood(table, rows, [entries for entries, _ in hypotheses], model, [wear for _, wear in hypotheses])

"""Catalogue revisions in Postgres: loaded by COPY, activated in one step, never changed afterwards.

Lengths go in as exact decimals of millimetres: the shortest decimal of a float is the one it was read from.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator
from typing import Any, TypeAlias, TypeVar

from psycopg.rows import tuple_row

from service.adapters.postgres.catalogue_rows import assemble_cores, assemble_parts
from service.adapters.postgres.connection import Connection, PatientConnection
from service.adapters.postgres.queries import Queries
from service.catalogue_files.rows import OnProgress
from service.domain.catalogue import Catalogue, Core, Part, PartStatus, Tolerance
from service.workflows.ports.catalogue import CatalogueRevision

QUERIES = Queries("catalogue")

CORE_TABLES = ("cores", "journals")
PART_TABLES = ("parts", "lobes", "durations", "lift_tables")
REPEATED_CORES = ("repeat_cores", "repeat_journals")
REPEATED_PARTS = ("repeat_parts", "repeat_lobes", "repeat_durations", "repeat_lift_tables")

_PARTS_A_STEP = 5000
"""So many go in with all that belongs to them before the next: what a row refers to is then at hand, here and there."""
_ALLOWED_S = 610.0
"""Longer than the limits that `allow_time` sets, so that Postgres is the first to say that one is reached."""

Rows: TypeAlias = Iterator[tuple[Any, ...]]

Thing = TypeVar("Thing", Core, Part)


class CatalogueStore:
    """Satisfies `service.workflows.ports.catalogue.CatalogueStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def active_revision(self) -> int | None:
        """The number of the active revision, or None before the first import."""
        row = self._connection.execute(QUERIES["active_revision"]).fetchone()
        return None if row is None else int(row["number"])

    def allow_time(self) -> None:
        """Let this transaction take its time, as a large catalogue needs."""
        if isinstance(self._connection, PatientConnection):
            self._connection.allowed_s = _ALLOWED_S
        self._connection.execute(QUERIES["allow_time"])

    def hold(self) -> None:
        """Let nobody else make a revision until the transaction ends; waits for whoever does."""
        self.allow_time()
        self._connection.execute(QUERIES["take_turns"])

    def add_revision(self, catalogue: Catalogue, *, made_by: str, reason: str, told: OnProgress | None = None) -> int:
        """Keep a catalogue as a new revision and make it the active one; returns its number."""
        revision = self._begin(made_by, reason, len(catalogue.cores), len(catalogue.parts))
        self._copy_cores(revision, list(enumerate(catalogue.cores)))
        # in the order of the indexes, which so grow at one end, and in which a lobe's part was read a moment ago
        parts = sorted(enumerate(catalogue.parts), key=lambda placed: placed[1].part_number)
        self._copy_parts(revision, parts, told)
        self._connection.execute(QUERIES["tell_planner"])
        return self._activate(revision)

    def add_changed(self, catalogue: Catalogue, old: int, before: Catalogue, *, made_by: str, reason: str) -> int:
        """`add_revision` of a catalogue that has most of its cores and parts from `before`, the revision `old`."""
        revision = self._begin(made_by, reason, len(catalogue.cores), len(catalogue.parts))
        new_cores, other_codes = _changes(catalogue.cores, before.cores, lambda core: core.code)
        new_parts, other_numbers = _changes(catalogue.parts, before.parts, lambda part: part.part_number)
        self._repeat(REPEATED_CORES, revision, old, other_codes)
        self._copy_cores(revision, self._placed("core_places", old, new_cores, lambda core: core.code))
        self._repeat(REPEATED_PARTS, revision, old, other_numbers)
        self._copy_parts(revision, self._placed("part_places", old, new_parts, lambda part: part.part_number), None)
        return self._activate(revision)

    def repeat_revision(self, old: CatalogueRevision, *, made_by: str, reason: str) -> int:
        """Make what an old revision holds a new one, and that the active one; returns its number."""
        revision = self._begin(made_by, reason, old.cores, old.parts)
        self._repeat((*REPEATED_CORES, *REPEATED_PARTS), revision, old.number, [])
        return self._activate(revision)

    def _begin(self, made_by: str, reason: str, cores: int, parts: int) -> int:
        self.hold()
        values = {"made_by": made_by, "reason": reason, "cores": cores, "parts": parts}
        row = self._connection.execute(QUERIES["begin_revision"], values).fetchone()
        if row is None:
            raise RuntimeError("a revision was begun and has no number")
        return int(row["number"])

    def _activate(self, revision: int) -> int:
        self._connection.execute(QUERIES["retire_active"])
        self._connection.execute(QUERIES["activate"], {"revision": revision})
        return revision

    def _repeat(self, queries: tuple[str, ...], revision: int, old: int, others: list[str]) -> None:
        for query in queries:
            self._connection.execute(QUERIES[query], {"revision": revision, "old": old, "others": others})

    def _placed(
        self, query: str, old: int, things: list[Thing], name_of: Callable[[Thing], str]
    ) -> list[tuple[int, Thing]]:
        """Things with their places: those they had, or behind all others."""
        places = dict(self._rows(query, old=old, names=[name_of(thing) for thing in things]))
        free = itertools.count(places.pop(None))
        return [(places[name_of(thing)] if name_of(thing) in places else next(free), thing) for thing in things]

    def _copy_cores(self, revision: int, cores: list[tuple[int, Core]]) -> None:
        self._copy("copy_cores", _core_rows(revision, cores))
        self._copy("copy_journals", _journal_rows(revision, [core for _, core in cores]))

    def _copy_parts(self, revision: int, placed: list[tuple[int, Part]], told: OnProgress | None) -> None:
        for first in range(0, len(placed), _PARTS_A_STEP):
            step = placed[first : first + _PARTS_A_STEP]
            parts = [part for _, part in step]
            self._copy("copy_parts", _part_rows(revision, step))
            self._copy("copy_lobes", _lobe_rows(revision, parts))
            self._copy("copy_durations", _duration_rows(revision, parts))
            self._copy("copy_lift_tables", _lift_table_rows(revision, parts))
            if told is not None:
                told(first + len(step), len(placed))

    def revision(self, number: int) -> CatalogueRevision | None:
        """One revision, without its rows."""
        row = self._connection.execute(QUERIES["revision"], {"revision": number}).fetchone()
        return None if row is None else CatalogueRevision(**row)

    def revisions(self, before: int | None, limit: int) -> tuple[CatalogueRevision, ...]:
        """Revisions, newest first, those numbered below `before`, at most `limit`."""
        values = {"before": before, "limit": limit}
        return tuple(CatalogueRevision(**row) for row in self._connection.execute(QUERIES["revisions"], values))

    def load(self, revision: int) -> Catalogue:
        """The whole catalogue of one revision, which the transaction is given time for."""
        self.allow_time()
        return Catalogue(self.cores(revision), self._parts(revision, None))

    def cores(self, revision: int) -> tuple[Core, ...]:
        """The cores of a revision, in the supplier's order."""
        return assemble_cores(*(self._rows(name, revision=revision) for name in CORE_TABLES))

    def part(self, revision: int, part_number: str) -> Part | None:
        """One part of a revision."""
        parts = self._parts(revision, [part_number])
        return parts[0] if parts else None

    def find_parts(
        self,
        revision: int,
        *,
        core: str | None,
        status: PartStatus | None,
        beginning: str | None,
        after: int,
        limit: int,
    ) -> tuple[tuple[int, Part], ...]:
        """Parts of a revision in the supplier's order, each with its place, those after the place `after`.

        `beginning` is how the part number begins, capitals or not.
        """
        places = self._rows(
            "find_parts",
            revision=revision,
            core=core,
            status=None if status is None else status.value,
            beginning=beginning,
            after=after,
            limit=limit,
        )
        found = [(int(place), str(number)) for place, number in places]
        parts = self._parts(revision, [number for _, number in found])
        return tuple((place, part) for (place, _), part in zip(found, parts, strict=True))

    def _parts(self, revision: int, numbers: list[str] | None) -> tuple[Part, ...]:
        return assemble_parts(*(self._rows(name, revision=revision, numbers=numbers) for name in PART_TABLES))

    def _rows(self, query: str, **values: Any) -> list[tuple[Any, ...]]:
        with self._connection.cursor(row_factory=tuple_row, binary=True) as cursor:
            return cursor.execute(QUERIES[query], values).fetchall()

    def _copy(self, query: str, rows: Iterable[tuple[Any, ...]]) -> None:
        with self._connection.cursor() as cursor, cursor.copy(QUERIES[query]) as copy:
            for row in rows:
                copy.write_row(row)


def _limits(tolerance: Tolerance | None) -> tuple[float | None, float | None]:
    return (None, None) if tolerance is None else (tolerance.minus_mm, tolerance.plus_mm)


def _changes(
    now: tuple[Thing, ...], before: tuple[Thing, ...], name_of: Callable[[Thing], str]
) -> tuple[list[Thing], list[str]]:
    """What is another or new, in its order, and the names of what is not to be taken over as it was."""
    was: dict[str, Thing] = {name_of(thing): thing for thing in before}
    others: list[Thing] = [thing for thing in now if was.pop(name_of(thing), None) != thing]
    return others, [*was, *(name_of(thing) for thing in others)]


def _core_rows(revision: int, cores: list[tuple[int, Core]]) -> Rows:
    for place, c in cores:
        yield (
            revision,
            place,
            c.code,
            c.name,
            c.unit.value,
            list(c.engine_families),
            c.gear_teeth,
            c.overall_length_mm,
        )


def _journal_rows(revision: int, cores: list[Core]) -> Rows:
    for core in cores:
        for place, journal in enumerate(core.journals):
            of = (revision, core.code, journal.position.value, place, journal.diameter_mm)
            yield (*of, *_limits(journal.tolerance))


def _part_rows(revision: int, parts: list[tuple[int, Part]]) -> Rows:
    for place, p in parts:
        of = (revision, place, p.part_number, p.core, p.unit.value, p.title, p.status.value)
        yield (*of, p.superseded_by, p.units_sold, p.lobe_separation_cam_deg)


def _lobe_rows(revision: int, parts: list[Part]) -> Rows:
    for part in parts:
        for kind, lobe in part.lobes.items():
            of = (revision, part.part_number, kind.value)
            sizes = (lobe.lift_mm, lobe.base_circle_mm, lobe.lash_mm, lobe.rocker_ratio)
            yield (*of, *sizes, *_limits(lobe.lift_tolerance), *_limits(lobe.base_circle_tolerance))


def _duration_rows(revision: int, parts: list[Part]) -> Rows:
    for part in parts:
        for kind, lobe in part.lobes.items():
            for duration in lobe.durations:
                yield (revision, part.part_number, kind.value, duration.checking_lift_mm, duration.crank_deg)


def _lift_table_rows(revision: int, parts: list[Part]) -> Rows:
    for part in parts:
        for kind, lobe in part.lobes.items():
            if lobe.lift_table is not None:
                table = lobe.lift_table
                of = (revision, part.part_number, kind.value, table.follower.value, table.roller_radius_mm)
                yield (*of, [angle for angle, _ in table.points], [lift for _, lift in table.points])

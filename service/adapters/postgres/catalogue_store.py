"""Catalogue revisions in Postgres: loaded by COPY, activated in one step, never changed afterwards.

Lengths go in as exact decimals of millimetres: the shortest decimal of a float is the one it was read from.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, TypeAlias

from psycopg.rows import tuple_row

from service.adapters.postgres.catalogue_rows import assemble_cores, assemble_parts
from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.domain.catalogue import Catalogue, Core, Part, PartStatus, Tolerance
from service.workflows.catalogue_ports import CatalogueRevision, Told

QUERIES = Queries("catalogue")

_ROWS_A_STEP = 1000

Rows: TypeAlias = Iterator[tuple[Any, ...]]


class CatalogueStore:
    """Satisfies `service.workflows.ports.CatalogueStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def active_revision(self) -> int | None:
        """The number of the active revision, or None before the first import."""
        row = self._connection.execute(QUERIES["active_revision"]).fetchone()
        return None if row is None else int(row["number"])

    def allow_time(self) -> None:
        """Let this transaction take its time, as a large catalogue needs."""
        self._connection.execute(QUERIES["allow_time"])

    def hold(self) -> None:
        """Let nobody else make a revision until the transaction ends; waits for whoever does."""
        self.allow_time()
        self._connection.execute(QUERIES["take_turns"])

    def add_revision(self, catalogue: Catalogue, *, made_by: str, reason: str, told: Told | None = None) -> int:
        """Keep a catalogue as a new revision and make it the active one; returns its number."""
        self.hold()
        values = {
            "made_by": made_by,
            "reason": reason,
            "cores": len(catalogue.cores),
            "parts": len(catalogue.parts),
        }
        row = self._connection.execute(QUERIES["begin_revision"], values).fetchone()
        if row is None:
            raise RuntimeError("a revision was begun and has no number")
        revision = int(row["number"])
        self._copy("copy_cores", _core_rows(revision, catalogue))
        self._copy("copy_journals", _journal_rows(revision, catalogue))
        self._copy("copy_parts", _told_rows(_part_rows(revision, catalogue), len(catalogue.parts), told))
        self._copy("copy_lobes", _lobe_rows(revision, catalogue))
        self._copy("copy_durations", _duration_rows(revision, catalogue))
        self._copy("copy_lift_tables", _lift_table_rows(revision, catalogue))
        self._connection.execute(QUERIES["tell_planner"])
        self._connection.execute(QUERIES["retire_active"])
        self._connection.execute(QUERIES["activate"], {"revision": revision})
        return revision

    def revision(self, number: int) -> CatalogueRevision | None:
        """One revision, without its rows."""
        row = self._connection.execute(QUERIES["revision"], {"revision": number}).fetchone()
        return None if row is None else CatalogueRevision(**row)

    def revisions(self, before: int | None, limit: int) -> tuple[CatalogueRevision, ...]:
        """Revisions, newest first, those numbered below `before`, at most `limit`."""
        values = {"before": before, "limit": limit}
        return tuple(CatalogueRevision(**row) for row in self._connection.execute(QUERIES["revisions"], values))

    def load(self, revision: int) -> Catalogue:
        """The whole catalogue of one revision."""
        return Catalogue(self.cores(revision), self._parts(revision, None))

    def cores(self, revision: int) -> tuple[Core, ...]:
        """The cores of a revision, in the supplier's order."""
        return assemble_cores(*(self._rows(name, revision=revision) for name in ("cores", "journals")))

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
        names = ("parts", "lobes", "durations", "lift_tables")
        return assemble_parts(*(self._rows(name, revision=revision, numbers=numbers) for name in names))

    def _rows(self, query: str, **values: Any) -> list[tuple[Any, ...]]:
        with self._connection.cursor(row_factory=tuple_row, binary=True) as cursor:
            return cursor.execute(QUERIES[query], values).fetchall()

    def _copy(self, query: str, rows: Iterable[tuple[Any, ...]]) -> None:
        with self._connection.cursor() as cursor, cursor.copy(QUERIES[query]) as copy:
            for row in rows:
                copy.write_row(row)


def _told_rows(rows: Rows, count: int, told: Told | None) -> Rows:
    for done, row in enumerate(rows, 1):
        yield row
        if told is not None and (done % _ROWS_A_STEP == 0 or done == count):
            told(done, count)


def _limits(tolerance: Tolerance | None) -> tuple[float | None, float | None]:
    return (None, None) if tolerance is None else (tolerance.minus_mm, tolerance.plus_mm)


def _core_rows(revision: int, catalogue: Catalogue) -> Rows:
    for place, c in enumerate(catalogue.cores):
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


def _journal_rows(revision: int, catalogue: Catalogue) -> Rows:
    for core in catalogue.cores:
        for place, journal in enumerate(core.journals):
            of = (revision, core.code, journal.position.value, place, journal.diameter_mm)
            yield (*of, *_limits(journal.tolerance))


def _part_rows(revision: int, catalogue: Catalogue) -> Rows:
    for place, p in enumerate(catalogue.parts):
        of = (revision, place, p.part_number, p.core, p.unit.value, p.title, p.status.value)
        yield (*of, p.superseded_by, p.units_sold, p.lobe_separation_cam_deg)


def _lobe_rows(revision: int, catalogue: Catalogue) -> Rows:
    for part in catalogue.parts:
        for kind, lobe in part.lobes.items():
            of = (revision, part.part_number, kind.value)
            sizes = (lobe.lift_mm, lobe.base_circle_mm, lobe.lash_mm, lobe.rocker_ratio)
            yield (*of, *sizes, *_limits(lobe.lift_tolerance), *_limits(lobe.base_circle_tolerance))


def _duration_rows(revision: int, catalogue: Catalogue) -> Rows:
    for part in catalogue.parts:
        for kind, lobe in part.lobes.items():
            for duration in lobe.durations:
                yield (revision, part.part_number, kind.value, duration.checking_lift_mm, duration.crank_deg)


def _lift_table_rows(revision: int, catalogue: Catalogue) -> Rows:
    for part in catalogue.parts:
        for kind, lobe in part.lobes.items():
            if lobe.lift_table is not None:
                table = lobe.lift_table
                of = (revision, part.part_number, kind.value, table.follower.value, table.roller_radius_mm)
                yield (*of, [angle for angle, _ in table.points], [lift for _, lift in table.points])

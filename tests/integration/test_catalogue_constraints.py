"""The database refuses every wrong row of the catalogue by itself, whoever writes it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest
from psycopg import errors

Connection = psycopg.Connection[Any]

ROWS = """
INSERT INTO catalogue_revision (number, state, made_by, reason, cores, parts)
VALUES (1, 'loading', 'tests', '', 2, 2);
INSERT INTO catalogue_core (revision, code, place, name, unit, engine_families)
VALUES (1, 'C1', 0, 'First', 'in', '{}'), (1, 'C2', 1, 'Second', 'mm', '{}');
INSERT INTO catalogue_journal (revision, core, position, place, diameter_mm, minus_mm, plus_mm)
VALUES (1, 'C1', 'front', 0, 19.05, 0.0127, 0), (1, 'C2', 'front', 0, 20, NULL, NULL);
INSERT INTO catalogue_part (revision, part_number, place, core, unit, title, status, superseded_by)
VALUES (1, 'P-1', 0, 'C1', 'in', '', 'current', NULL), (1, 'P-0', 1, 'C1', 'in', '', 'superseded', 'P-1');
INSERT INTO catalogue_lobe (revision, part_number, lobe, lift_mm, base_circle_mm)
VALUES (1, 'P-1', 'intake', 7.9502, 21.8694), (1, 'P-0', 'intake', 7.9502, 21.8694);
INSERT INTO catalogue_duration (revision, part_number, lobe, checking_lift_mm, crank_deg)
VALUES (1, 'P-1', 'intake', 0.508, 262), (1, 'P-1', 'intake', 1.27, 232);
INSERT INTO catalogue_lift_table (revision, part_number, lobe, follower, cam_deg, lift_mm)
VALUES (1, 'P-1', 'intake', 'flat', '{0,2}', '{7.9502,7.94}');
"""
ACTIVATE = "UPDATE catalogue_revision SET state = 'active' WHERE number = 1"


@pytest.fixture(scope="module")
def url(new_database: Any) -> Iterator[str]:
    with new_database() as url:
        yield url


@pytest.fixture
def loading(url: str) -> Iterator[Connection]:
    """A revision that is being loaded; rolled back afterwards."""
    with psycopg.connect(url) as connection:
        connection.execute(ROWS)
        yield connection
        connection.rollback()


def insert(table: str, **values: Any) -> str:
    """An INSERT; strings are quoted, SQL's own words are not."""
    shown = ", ".join("NULL" if v is None else f"'{v}'" if isinstance(v, str) else str(v) for v in values.values())
    return f"INSERT INTO catalogue_{table} ({', '.join(values)}) VALUES ({shown})"


REVISION = {"number": 2, "state": "loading", "made_by": "tests", "reason": "", "cores": 1, "parts": 1}
CORE = {"revision": 1, "code": "C3", "place": 2, "name": "Third", "unit": "in", "engine_families": "{}"}
JOURNAL = {"revision": 1, "core": "C1", "position": "rear", "place": 1, "diameter_mm": 19.05}
PART = {
    "revision": 1, "part_number": "P-2", "place": 2, "core": "C1", "unit": "in", "title": "", "status": "current",
}  # fmt: skip
LOBE = {"revision": 1, "part_number": "P-1", "lobe": "exhaust", "lift_mm": 7.9502, "base_circle_mm": 21.8694}
DURATION = {"revision": 1, "part_number": "P-1", "lobe": "intake", "checking_lift_mm": 1, "crank_deg": 240}
TABLE = {
    "revision": 1, "part_number": "P-0", "lobe": "intake", "follower": "flat",
    "cam_deg": "{0,2}", "lift_mm": "{7.9502,7.94}",
}  # fmt: skip

CHECK, FOREIGN, UNIQUE, NULL = (
    errors.CheckViolation,
    errors.ForeignKeyViolation,
    errors.UniqueViolation,
    errors.NotNullViolation,
)

GOOD = [("revision", REVISION), ("core", CORE), ("journal", JOURNAL), ("part", PART), ("lobe", LOBE),
        ("duration", DURATION), ("lift_table", TABLE)]  # fmt: skip

WRONG: list[tuple[str, dict[str, Any], type[psycopg.Error]]] = [
    ("revision", REVISION | {"number": 0}, CHECK),
    ("revision", REVISION | {"number": 1}, UNIQUE),
    ("revision", REVISION | {"state": "draft"}, CHECK),
    ("revision", REVISION | {"made_by": ""}, CHECK),
    ("revision", REVISION | {"cores": 0}, CHECK),
    ("revision", REVISION | {"parts": 0}, CHECK),
    ("core", CORE | {"revision": 9}, FOREIGN),
    ("core", CORE | {"code": "C1"}, UNIQUE),
    ("core", CORE | {"place": 0}, UNIQUE),
    ("core", CORE | {"code": ""}, CHECK),
    ("core", CORE | {"name": ""}, CHECK),
    ("core", CORE | {"unit": "cm"}, CHECK),
    ("core", CORE | {"engine_families": "{NULL}"}, CHECK),
    ("core", CORE | {"gear_teeth": 0}, CHECK),
    ("core", CORE | {"overall_length_mm": 0}, CHECK),
    ("journal", JOURNAL | {"core": "C9"}, FOREIGN),
    ("journal", JOURNAL | {"position": "front"}, UNIQUE),
    ("journal", JOURNAL | {"position": "centre"}, CHECK),
    ("journal", JOURNAL | {"diameter_mm": 0}, CHECK),
    ("journal", JOURNAL | {"diameter_mm": None}, NULL),
    ("journal", JOURNAL | {"minus_mm": -0.01, "plus_mm": 0}, CHECK),
    ("journal", JOURNAL | {"minus_mm": 0, "plus_mm": -0.01}, CHECK),
    ("journal", JOURNAL | {"minus_mm": 19.05, "plus_mm": 0}, CHECK),
    ("journal", JOURNAL | {"minus_mm": 0.01}, CHECK),
    ("journal", JOURNAL | {"plus_mm": 0.01}, CHECK),
    ("part", PART | {"part_number": "P-1"}, UNIQUE),
    ("part", PART | {"part_number": ""}, CHECK),
    ("part", PART | {"place": 0}, UNIQUE),
    ("part", PART | {"core": "C9"}, FOREIGN),
    ("part", PART | {"status": "sold out"}, CHECK),
    ("part", PART | {"superseded_by": "P-1"}, CHECK),
    ("part", PART | {"status": "superseded", "superseded_by": "P-2"}, CHECK),
    ("part", PART | {"units_sold": -1}, CHECK),
    ("part", PART | {"lobe_separation_cam_deg": 0}, CHECK),
    ("part", PART | {"lobe_separation_cam_deg": 360}, CHECK),
    ("lobe", LOBE | {"part_number": "P-9"}, FOREIGN),
    ("lobe", LOBE | {"lobe": "intake"}, UNIQUE),
    ("lobe", LOBE | {"lobe": "both"}, CHECK),
    ("lobe", LOBE | {"lift_mm": 0}, CHECK),
    ("lobe", LOBE | {"lift_mm": -1}, CHECK),
    ("lobe", LOBE | {"lift_mm": None}, NULL),
    ("lobe", LOBE | {"base_circle_mm": 0}, CHECK),
    ("lobe", LOBE | {"base_circle_mm": -21}, CHECK),
    ("lobe", LOBE | {"lift_mm": 21.8694, "base_circle_mm": 7.9502}, CHECK),
    ("lobe", LOBE | {"lash_mm": -0.1}, CHECK),
    ("lobe", LOBE | {"rocker_ratio": 0}, CHECK),
    ("lobe", LOBE | {"lift_minus_mm": -0.01, "lift_plus_mm": 0}, CHECK),
    ("lobe", LOBE | {"lift_minus_mm": 0, "lift_plus_mm": -0.01}, CHECK),
    ("lobe", LOBE | {"lift_minus_mm": 7.9502, "lift_plus_mm": 0}, CHECK),
    ("lobe", LOBE | {"lift_minus_mm": 0.01}, CHECK),
    ("lobe", LOBE | {"base_circle_minus_mm": -0.01, "base_circle_plus_mm": 0}, CHECK),
    ("lobe", LOBE | {"base_circle_minus_mm": 0, "base_circle_plus_mm": -0.01}, CHECK),
    ("lobe", LOBE | {"base_circle_minus_mm": 21.8694, "base_circle_plus_mm": 0}, CHECK),
    ("lobe", LOBE | {"base_circle_plus_mm": 0.01}, CHECK),
    ("duration", DURATION | {"lobe": "exhaust"}, FOREIGN),
    ("duration", DURATION | {"checking_lift_mm": 1.27}, UNIQUE),
    ("duration", DURATION | {"checking_lift_mm": 0}, CHECK),
    ("duration", DURATION | {"crank_deg": 0}, CHECK),
    ("duration", DURATION | {"crank_deg": 720}, CHECK),
    ("lift_table", TABLE | {"lobe": "exhaust"}, FOREIGN),
    ("lift_table", TABLE | {"part_number": "P-1"}, UNIQUE),
    ("lift_table", TABLE | {"follower": "knife"}, CHECK),
    ("lift_table", TABLE | {"follower": "roller"}, CHECK),
    ("lift_table", TABLE | {"roller_radius_mm": 10}, CHECK),
    ("lift_table", TABLE | {"cam_deg": "{0,2,4}"}, CHECK),
    ("lift_table", TABLE | {"cam_deg": "{0}", "lift_mm": "{7.9502}"}, CHECK),
    ("lift_table", TABLE | {"cam_deg": "{1,2}"}, CHECK),
    ("lift_table", TABLE | {"lift_mm": "{7.9502,NULL}"}, CHECK),
]


@pytest.mark.parametrize(("table", "row"), GOOD, ids=[table for table, _ in GOOD])
def test_a_right_row_is_taken(loading: Connection, table: str, row: dict[str, Any]) -> None:
    loading.execute(insert(table, **row).encode())


@pytest.mark.parametrize(("table", "row", "error"), WRONG, ids=[f"{t} {list(r.items())[-1]}" for t, r, _ in WRONG])
def test_a_wrong_row_is_refused(
    loading: Connection, table: str, row: dict[str, Any], error: type[psycopg.Error]
) -> None:
    with pytest.raises(error):
        loading.execute(insert(table, **row).encode())


def test_a_successor_must_be_there_in_the_end(loading: Connection) -> None:
    loading.execute(insert("part", **PART | {"status": "superseded", "superseded_by": "P-9"}).encode())
    with pytest.raises(FOREIGN):
        loading.execute("SET CONSTRAINTS ALL IMMEDIATE")


def test_a_successor_must_be_of_the_same_revision(loading: Connection) -> None:
    loading.execute(insert("revision", **REVISION).encode())
    loading.execute(insert("core", **CORE | {"revision": 2}).encode())
    of_two = PART | {"revision": 2, "core": "C3", "status": "superseded", "superseded_by": "P-1"}
    loading.execute(insert("part", **of_two).encode())
    with pytest.raises(FOREIGN):
        loading.execute("SET CONSTRAINTS ALL IMMEDIATE")


def test_only_one_revision_is_active(loading: Connection) -> None:
    loading.execute(ACTIVATE)
    with pytest.raises(UNIQUE):
        loading.execute(insert("revision", **REVISION | {"state": "active"}).encode())


HALF_LOADED = [
    (insert("part", **PART), "other numbers of cores or parts"),
    (insert("core", **CORE), "other numbers of cores or parts"),
    ("UPDATE catalogue_revision SET parts = 3", "never changed"),
    (
        insert("duration", **DURATION | {"part_number": "P-0", "checking_lift_mm": 7.9502}),
        "checking lift is not below the lift",
    ),
    (insert("duration", **DURATION | {"crank_deg": 232}), "does not fall as its checking lift rises"),
    (insert("duration", **DURATION | {"crank_deg": 262}), "does not fall as its checking lift rises"),
]


@pytest.mark.parametrize(("statement", "reason"), HALF_LOADED, ids=[statement[:60] for statement, _ in HALF_LOADED])
def test_a_revision_that_does_not_hang_together_is_not_made_active(
    loading: Connection, statement: str, reason: str
) -> None:
    with pytest.raises(errors.IntegrityConstraintViolation, match=reason):
        loading.execute(f"{statement}; {ACTIVATE}".encode())


def test_a_revision_with_a_part_without_lobes_is_not_made_active(loading: Connection) -> None:
    loading.execute(insert("revision", **REVISION).encode())
    loading.execute(insert("core", **CORE | {"revision": 2}).encode())
    loading.execute(insert("journal", **JOURNAL | {"revision": 2, "core": "C3"}).encode())
    loading.execute(insert("part", **PART | {"revision": 2, "core": "C3"}).encode())
    with pytest.raises(errors.IntegrityConstraintViolation, match="a part has no lobe"):
        loading.execute("UPDATE catalogue_revision SET state = 'active' WHERE number = 2")


def test_a_revision_with_a_core_without_journals_is_not_made_active(loading: Connection) -> None:
    loading.execute(insert("revision", **REVISION).encode())
    loading.execute(insert("core", **CORE | {"revision": 2}).encode())
    loading.execute(insert("part", **PART | {"revision": 2, "core": "C3"}).encode())
    loading.execute(insert("lobe", **LOBE | {"revision": 2, "part_number": "P-2"}).encode())
    with pytest.raises(errors.IntegrityConstraintViolation, match="a core has no journal"):
        loading.execute("UPDATE catalogue_revision SET state = 'active' WHERE number = 2")


FORBIDDEN = [
    "UPDATE catalogue_revision SET reason = 'better'",
    "UPDATE catalogue_revision SET state = 'loading'",
    "DELETE FROM catalogue_revision",
    *(
        f"{verb} catalogue_{table}{rest}"
        for table, column in (
            ("core", "name = 'x'"), ("journal", "diameter_mm = 20"), ("part", "title = 'x'"), ("lobe", "lift_mm = 8"),
            ("duration", "crank_deg = 1"), ("lift_table", "follower = 'point'"),
        )
        for verb, rest in (("UPDATE", f" SET {column}"), ("DELETE FROM", ""))
    ),
    *(insert(table, **row) for table, row in GOOD[1:]),
]  # fmt: skip


@pytest.mark.parametrize("statement", FORBIDDEN, ids=[statement[:50] for statement in FORBIDDEN])
def test_a_revision_once_active_is_never_changed(loading: Connection, statement: str) -> None:
    loading.execute(ACTIVATE)
    with pytest.raises(errors.IntegrityConstraintViolation):
        loading.execute(statement.encode())

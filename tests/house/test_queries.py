"""Every named query is one Postgres can plan against the schema at head, and the files are as they should be."""

from __future__ import annotations

import ast
import re

import psycopg
import pytest

from service.adapters.postgres.queries import SQL_FOLDER, Queries, QueryFileError, parse_queries

STORES = sorted(path.stem for path in SQL_FOLDER.glob("*.sql"))
ADAPTER = SQL_FOLDER.parent


def numbered(query: bytes) -> str:
    """The query with psycopg's named parameters as the server's own, and its doubled percent signs single."""
    names: list[str] = []

    def number(match: re.Match[str]) -> str:
        if match[0] == "%%":
            return "%"
        if match[1] not in names:
            names.append(match[1])
        return f"${names.index(match[1]) + 1}"

    return re.sub(r"%%|%\((\w+)\)[sbt]", number, query.decode())


@pytest.mark.parametrize("store", STORES)
def test_postgres_can_plan_every_query(store: str, database_url: str) -> None:
    queries = Queries(store)
    assert queries
    with psycopg.connect(database_url) as connection:
        for name, query in queries.items():
            try:
                explain(connection, numbered(query))
            except psycopg.Error as error:
                pytest.fail(f"{store}.{name}: {error}")


def explain(connection: psycopg.Connection[tuple[object, ...]], query: str) -> None:
    if query.startswith(("COPY ", "LOCK ", "ANALYZE ")):
        # There is no plan for these; the names in them are looked up all the same.
        with connection.transaction(force_rollback=True), connection.cursor() as cursor:
            if query.startswith("COPY "):
                with cursor.copy(query.encode()):
                    pass
            else:
                cursor.execute(query.encode())
        return
    assert connection.execute(f"EXPLAIN (GENERIC_PLAN) {query}".encode()).fetchall()


@pytest.mark.parametrize("store", STORES)
def test_every_query_is_named_in_its_store_and_every_name_the_store_asks_for_is_there(store: str) -> None:
    spoken: set[str] = set()
    asked: set[str] = set()
    for path in ADAPTER.glob("*.py"):
        source = path.read_text(encoding="utf-8")
        if f'Queries("{store}")' in source:
            for node in ast.walk(ast.parse(source)):
                if isinstance(node, ast.Constant) and isinstance(node.value, str):
                    spoken.add(node.value)
                if isinstance(node, ast.Subscript) and getattr(node.value, "id", "") == "QUERIES":
                    asked |= {node.slice.value} if isinstance(node.slice, ast.Constant) else set()
    queries = set(Queries(store))
    assert asked <= queries
    assert queries <= spoken


def test_no_sql_stands_in_python() -> None:
    verbs = re.compile(r"\b(SELECT|INSERT INTO|UPDATE|DELETE FROM)\b.+\b(FROM|VALUES|SET|WHERE)\b", re.DOTALL)
    for path in ADAPTER.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str | bytes):
                text = node.value if isinstance(node.value, str) else node.value.decode()
                assert path.name == "queries.py" or not verbs.search(text), f"{path.name}: {text}"


def test_two_queries_of_one_name_are_refused() -> None:
    with pytest.raises(QueryFileError, match="two queries are named twice"):
        parse_queries("-- name: twice\n-- One.\nSELECT 1\n-- name: twice\n-- Two.\nSELECT 2\n", "x.sql")


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("-- name: quiet\nSELECT 1\n", "no comment"),
        ("-- name: empty\n-- Nothing follows.\n", "is empty"),
        ("-- name: Not A Name\n-- One.\nSELECT 1\n", "is no name"),
        ("SELECT 1\n-- name: late\n-- One.\nSELECT 1\n", "before the first name"),
    ],
)
def test_a_file_of_queries_that_is_not_as_it_should_be_is_refused(text: str, complaint: str) -> None:
    with pytest.raises(QueryFileError, match=complaint):
        parse_queries(text, "x.sql")


def test_a_query_is_its_sql_without_the_comments() -> None:
    text = "-- name: one\n-- What it is for.\nSELECT 1\n  -- why\n  AS a;\n\n-- name: two\n-- Again.\nSELECT 2\n"
    assert parse_queries(text, "x.sql") == {"one": b"SELECT 1\n  AS a", "two": b"SELECT 2"}

"""Named queries, kept as SQL in `sql/<store>.sql`.

A file holds blocks of this form; the comment says what the query is for, and the method that runs it shares its name:

    -- name: claim_review
    -- The oldest waiting review, leased to one desk.
    UPDATE ...

Parameters are psycopg's named ones, `%(review_id)s`; a percent sign meant as such is written twice.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from functools import cached_property
from pathlib import Path
from typing import Any

SQL_FOLDER = Path(__file__).parent / "sql"

_HEADER = re.compile(r"^--[ \t]*name:[ \t]*(.*?)[ \t]*$", re.MULTILINE)
_NAME = re.compile(r"[a-z][a-z0-9_]*")
_names: dict[bytes, str] = {}


def name_of(statement: Any) -> str:
    """What a statement is called: its store and its name there, or its first word where it is in no file."""
    if isinstance(statement, bytes):
        named = _names.get(statement)
        if named is not None:
            return named
        statement = statement.decode("utf-8", "replace")
    words = statement.split(maxsplit=1) if isinstance(statement, str) else []
    return words[0].upper() if words else "SQL"


class QueryFileError(Exception):
    """A file of queries is not as it should be."""


def parse_queries(text: str, origin: str) -> dict[str, bytes]:
    """The queries of one file, by name.

    Raises `QueryFileError`, naming `origin`, for a name that is malformed or there twice, for a query without a
    comment or without SQL, and for SQL that stands before the first name.
    """
    preamble, *parts = _HEADER.split(text)
    if any(line.strip() and not line.startswith("--") for line in preamble.splitlines()):
        raise QueryFileError(f"{origin}: SQL before the first name")
    queries: dict[str, bytes] = {}
    for name, block in zip(parts[::2], parts[1::2], strict=True):
        if not _NAME.fullmatch(name):
            raise QueryFileError(f"{origin}: {name!r} is no name for a query")
        if name in queries:
            raise QueryFileError(f"{origin}: two queries are named {name}")
        lines = block.strip().splitlines()
        sql = "\n".join(line for line in lines if not line.lstrip().startswith("--")).strip()
        if not lines or not lines[0].startswith("--"):
            raise QueryFileError(f"{origin}: {name} has no comment saying what it is for")
        if not sql:
            raise QueryFileError(f"{origin}: {name} is empty")
        queries[name] = sql.rstrip(";").encode()
    return queries


class Queries(Mapping[str, bytes]):
    """The queries of `sql/<store>.sql`, read when first asked for: `QUERIES = Queries("reviews")`."""

    def __init__(self, store: str) -> None:
        self._path = SQL_FOLDER / f"{store}.sql"

    @cached_property
    def _by_name(self) -> dict[str, bytes]:
        found = parse_queries(self._path.read_text(encoding="utf-8"), self._path.name)
        _names.update({statement: f"{self._path.stem}.{name}" for name, statement in found.items()})
        return found

    def __getitem__(self, name: str) -> bytes:
        return self._by_name[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._by_name)

    def __len__(self) -> int:
        return len(self._by_name)

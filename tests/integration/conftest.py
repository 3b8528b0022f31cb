"""What the tests of the parts put together share."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import psycopg
import pytest


@pytest.fixture
def database(database_url: str) -> Iterator[psycopg.Connection[Any]]:
    """The tests' own way to the database."""
    with psycopg.connect(database_url, autocommit=True) as connection:
        yield connection

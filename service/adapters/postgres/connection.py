"""What a store is built on."""

from __future__ import annotations

from typing import TypeAlias

import psycopg
from psycopg.rows import DictRow

Connection: TypeAlias = psycopg.Connection[DictRow]
"""A connection inside a transaction; rows come back as dictionaries."""

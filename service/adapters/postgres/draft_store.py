"""Drafts of the catalogue in Postgres."""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from typing import Any
from uuid import UUID

import msgspec
import orjson
from psycopg.types.json import Jsonb
from uuid6 import uuid7

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.stored_catalogue import WRITTEN_BY, catalogue_from_bytes, catalogue_to_bytes
from service.adapters.stored_types import reader
from service.catalogue_files import Checked, read_json
from service.catalogue_files.written import written_json
from service.domain.catalogue import Catalogue
from service.workflows.ports.drafts import Findings, KeptDraft

QUERIES = Queries("drafts")

_READ_FINDINGS = reader(Findings)


class DraftStore:
    """Satisfies `service.workflows.ports.drafts.DraftStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def take_turns(self) -> None:
        """Let nobody else keep one until the transaction ends."""
        self._connection.execute(QUERIES["take_turns"])

    def keep(self, key_id: UUID, by: str, name: str, findings: Findings, checked: Checked) -> UUID:
        """Keep what was read; returns its id."""
        draft_id = UUID(int=uuid7().int)
        whole = checked.catalogue
        sheets = {name: text() for name, text in checked.corrected.items()}
        values = {
            "id": draft_id,
            "name": name,
            "key_id": key_id,
            "by": by,
            "cores": None if whole is None else len(whole.cores),
            "parts": None if whole is None else len(whole.parts),
            "findings": Jsonb(msgspec.to_builtins(findings)),
            "document": None if whole is None else zlib.compress(written_json(whole)),
            "stated": None if whole is None else catalogue_to_bytes(whole),
            "stated_by": None if whole is None else WRITTEN_BY,
            "corrected": zlib.compress(orjson.dumps(sheets)),
        }
        self._connection.execute(QUERIES["keep"], values)
        return draft_id

    def all(self) -> tuple[KeptDraft, ...]:
        """Everything kept, newest first."""
        return tuple(_draft_of(row) for row in self._connection.execute(QUERIES["all"]))

    def find(self, draft_id: UUID, *, for_update: bool = False) -> KeptDraft | None:
        """One of them; `for_update` holds it until the transaction ends."""
        query = QUERIES["hold" if for_update else "find"]
        row = self._connection.execute(query, {"id": draft_id}).fetchone()
        return None if row is None else _draft_of(row)

    def catalogue(self, draft_id: UUID) -> Catalogue | None:
        """The catalogue in it; None where there is none."""
        values = {"id": draft_id, "stated_by": WRITTEN_BY}
        row = self._connection.execute(QUERIES["stated"], values, binary=True).fetchone()
        if row is not None:
            return catalogue_from_bytes(row["stated"])
        row = self._connection.execute(QUERIES["document"], {"id": draft_id}).fetchone()
        return None if row is None or row["document"] is None else read_json(zlib.decompress(row["document"]))

    def corrected(self, draft_id: UUID) -> Mapping[str, str]:
        """Its sheets as they should be, by file name."""
        row = self._connection.execute(QUERIES["corrected"], {"id": draft_id}).fetchone()
        sheets: dict[str, str] = {} if row is None else orjson.loads(zlib.decompress(row["corrected"]))
        return sheets

    def remove(self, draft_id: UUID) -> bool:
        """Keep it no longer; False where it was not there."""
        return self._connection.execute(QUERIES["remove"], {"id": draft_id}).fetchone() is not None


def _draft_of(row: dict[str, Any]) -> KeptDraft:
    return KeptDraft(**(row | {"findings": _READ_FINDINGS(row["findings"])}))

"""A draft's catalogue is kept as its document and as this service holds it: the one stands in for the other."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import psycopg
import pytest

from service.adapters.postgres.pool import PostgresStores
from service.adapters.stored_catalogue import catalogue_from_bytes, catalogue_to_bytes
from service.catalogue_files import Checked, check_json, read_json
from service.domain.access import NewKey, Role
from service.domain.catalogue import Catalogue
from service.workflows.catalogue.drafts import keep_draft
from service.workflows.keys import make_key
from tests.catalogues import catalogue, core, part, plain_lobe
from tests.integration.test_catalogue_store import invented

METRIC = read_json(
    catalogue(
        cores=[core(unit="mm", journals=[{"position": "rear", "diameter": "19.05"}], overall_length=None)],
        parts=[part(unit="mm", lobes={"exhaust": plain_lobe("7.95020001", "21.8694")}, units_sold=None)],
    )
)


def kept(stores: PostgresStores, checked: Checked) -> UUID:
    with stores.transaction() as transaction:
        entry, _ = make_key(transaction, None, NewKey(Role.ADMIN, "the owner"))
        record = transaction.keys.named(entry.record.id)
        assert record is not None
        return keep_draft(transaction, record, "the spring list", checked).id


def read(stores: PostgresStores, draft: UUID) -> Catalogue | None:
    with stores.transaction() as transaction:
        return transaction.drafts.catalogue(draft)


@pytest.mark.parametrize("whole", [invented(), METRIC, Catalogue((), ())], ids=["invented", "metric", "empty"])
def test_a_catalogue_comes_back_as_it_was(whole: Catalogue) -> None:
    assert catalogue_from_bytes(catalogue_to_bytes(whole)) == whole
    assert repr(catalogue_from_bytes(catalogue_to_bytes(whole))) == repr(whole)


def test_a_draft_is_read_without_its_document(stores: PostgresStores, database: psycopg.Connection[Any]) -> None:
    draft = kept(stores, Checked(invented(), ()))
    database.execute("UPDATE catalogue_draft SET document = 'nothing that could be read'")
    assert read(stores, draft) == invented()


@pytest.mark.parametrize("by", ["'another release'", "NULL"])
def test_what_other_code_kept_is_read_from_its_document(
    by: str, stores: PostgresStores, database: psycopg.Connection[Any]
) -> None:
    draft = kept(stores, Checked(invented(), ()))
    spoilt = (
        f"UPDATE catalogue_draft SET stated_by = {by}, stated = CASE WHEN {by} IS NULL THEN NULL ELSE 'x'::bytea END"
    )
    database.execute(spoilt.encode())
    assert read(stores, draft) == invented()


def test_a_draft_that_could_not_be_taken_has_no_catalogue(stores: PostgresStores) -> None:
    assert read(stores, kept(stores, check_json(catalogue(parts=[])))) is None

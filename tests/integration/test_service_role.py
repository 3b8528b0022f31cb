"""The service under the role of `deploy/service-role.sql`: it does all its work, and rewrites no record."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from service.adapters.postgres.pool import PostgresStores
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.domain.access import Role
from service.domain.casework import Retention
from service.settings import Settings
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key
from service.workflows.privacy import forget_by_age
from tests.api.conftest import Caller, as_url
from tests.api.queue import SURE, claimed, decided, waiting
from tests.instances import CATALOGUE
from tests.integration.posting import Sending
from tests.integration.receivers import HookReceiver, hook_receiver, wait_until
from tests.integration.test_outbox import worker_process

ROLE_FILE = Path(__file__).parents[2] / "deploy" / "service-role.sql"
REWRITING = (
    "ALTER TABLE audit_trail DISABLE TRIGGER ALL",
    "DROP TRIGGER audit_trail_no_rewriting ON audit_trail",
    "ALTER TABLE letters DISABLE TRIGGER USER",
    "ALTER FUNCTION audit_trail_is_only_added_to() RENAME TO gone",
    "SET session_replication_role = replica",
    "UPDATE audit_trail SET who = 'nobody'",
    "DELETE FROM audit_trail",
    "TRUNCATE audit_trail",
    "DROP TABLE audit_trail",
)


@pytest.fixture
def service_url(database_url: str) -> str:
    """The database as a role sees it that owns nothing of it."""
    with psycopg.connect(database_url, autocommit=True) as owner:
        owner.execute(ROLE_FILE.read_bytes())
        owner.execute("CREATE TABLE of_a_later_migration (id int)")
        owner.execute("SET ROLE lobedesk_service")
        owner.execute("INSERT INTO of_a_later_migration VALUES (1)")
    return make_conninfo(database_url, user="lobedesk_service")


def test_the_service_does_its_work_under_a_role_that_owns_nothing_and_rewrites_no_record(
    service_url: str, redis_url: str, tmp_path: Path
) -> None:
    app = create_app(Settings(database_url=as_url(service_url), redis_url=redis_url, webhook_private=True))
    stores: PostgresStores = app.extensions[EXTENSION].desk.stores
    import_catalogue(stores, read_json(CATALOGUE.read_bytes()), who="tests", why="invented")
    desk, admin = (Caller(app, create_key(stores, role, role)) for role in (Role.DESK, Role.ADMIN))

    def done(response: Any) -> Any:
        assert response.status_code in (200, 201), response.get_data(as_text=True)
        return response.get_json()

    address = "ada@post.example"
    with hook_receiver(HookReceiver()) as receiver:
        done(admin.post("/v1/webhooks", {"url": receiver.url}, Idempotency_Key="once"))
        answer = waiting(desk, contact={"name": "Ada Quill", "email": address})
        decided(desk, claimed(desk, answer)["id"], **SURE)
        done(desk.post(f"/v1/submissions/{answer['id']}/letters", {}))
        shaft = done(desk.post("/v1/mail-ins", {"submission": answer["id"]}))
        event = {"kind": "received", "place": "shelf", "note": "By hand."}
        done(desk.post(f"/v1/mail-ins/{shaft['id']}/events", event))
        key = stores.look(lambda transaction: transaction.keys.all())[0].record
        worker = worker_process(Sending(stores, service_url, key, answer["id"]), tmp_path)
        wait_until(lambda: len(set(receiver.ids())) == 3, "the worker to send what happened")
        worker.terminate()
        assert worker.wait(60) == 0
    done(admin.post("/v1/privacy/erasure", {"email": address}))
    assert forget_by_age(stores, Retention()) == 0
    close_app(app)

    with psycopg.connect(service_url, autocommit=True) as service:
        before = service.execute("SELECT count(*), max(id) FROM audit_trail").fetchone()
        for statement in REWRITING:
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                service.execute(statement.encode())
        assert service.execute("SELECT count(*), max(id) FROM audit_trail").fetchone() == before

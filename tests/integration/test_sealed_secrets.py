"""Webhook secrets in a real Postgres: sealed where there is a key, opened to sign, sealed anew when the key changes."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg
import pytest
from click.testing import CliRunner
from cryptography.fernet import Fernet
from standardwebhooks.webhooks import Webhook

from service.adapters.postgres.pool import Pool, PostgresStores
from service.adapters.sealing import Seal, SealedWithAnotherKey, new_key
from service.adapters.webhooks import WebhookPost
from service.cli import main
from service.settings import SettingsError, read_settings
from service.workflows.readiness import Probes, readiness
from service.workflows.sending.deliver import deliver
from service.workflows.sending.publish import change_secret
from tests.api.conftest import as_url
from tests.integration.posting import only_hooks, start_sending
from tests.integration.receivers import HookReceiver, hook_receiver, wait_until
from tests.integration.test_outbox import worker_process

POST = WebhookPost(private=True)


def kept(url: str, endpoint_id: UUID) -> tuple[str, str | None]:
    with psycopg.connect(url) as connection:
        row = connection.execute("SELECT secret, old_secret FROM webhook_endpoints WHERE id = %s", [endpoint_id])
        found = row.fetchone()
    assert found is not None
    return found[0], found[1]


def test_a_secret_lies_sealed_and_signs_as_it_was_shown(pool: Pool, database_url: str) -> None:
    key = new_key()
    sending = start_sending(PostgresStores(pool, seal=Seal((key,))), database_url)
    with hook_receiver(HookReceiver()) as receiver:
        endpoint_id, secret = sending.endpoint(receiver.url)
        lies, _ = kept(database_url, endpoint_id)
        assert secret.removeprefix("whsec_") not in lies
        # the form is Fernet's own, which another program opens with the key alone (github.com/fernet/spec)
        assert Fernet(key).decrypt(lies.removeprefix("whsec_~")).decode() == secret

        with sending.stores.transaction() as transaction:
            new = change_secret(transaction, sending.key, endpoint_id)
        assert all(secret not in str(each) and new not in str(each) for each in kept(database_url, endpoint_id))
        deliver(sending.stores, only_hooks(POST), sending.hook(endpoint_id))
        (request,) = receiver.got
        for one in (secret, new):
            Webhook(one).verify(request.body, request.headers)


def test_a_new_key_takes_over_from_an_old_one_and_from_none(
    pool: Pool, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = new_key(), new_key()
    lies_open, secret = start_sending(PostgresStores(pool), database_url).endpoint("https://store.example/a")
    sealed, other = start_sending(PostgresStores(pool, seal=Seal((old,))), database_url).endpoint(
        "https://store.example/b"
    )
    assert kept(database_url, lies_open) == (secret, None)

    monkeypatch.setenv("LOBEDESK_DATABASE_URL", as_url(database_url))
    monkeypatch.setenv("LOBEDESK_SECRETS_KEY", f"{new},{old}")
    for count in (2, 0):
        done = CliRunner().invoke(main, ["secrets", "seal"])
        assert (done.exit_code, done.output) == (0, f"sealed: {count}\n")
    for endpoint_id, known in ((lies_open, secret), (sealed, other)):
        assert Seal((new,)).open(kept(database_url, endpoint_id)[0]) == known


def test_who_seals_without_the_old_key_is_told_which_is_missing(
    pool: Pool, database_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    endpoint_id, _ = start_sending(PostgresStores(pool, seal=Seal((new_key(),))), database_url).endpoint(
        "https://store.example/a"
    )
    before = kept(database_url, endpoint_id)
    monkeypatch.setenv("LOBEDESK_DATABASE_URL", as_url(database_url))
    monkeypatch.setenv("LOBEDESK_SECRETS_KEY", new_key())
    done = CliRunner().invoke(main, ["secrets", "seal"])
    assert (done.exit_code, done.output) == (1, "lobedesk: No key in LOBEDESK_SECRETS_KEY opens a webhook's secret.\n")
    assert kept(database_url, endpoint_id) == before


def test_what_no_key_opens_waits_for_one_and_is_never_sent_unsigned(pool: Pool, database_url: str) -> None:
    sending = start_sending(PostgresStores(pool, seal=Seal((new_key(),))), database_url)
    with hook_receiver(HookReceiver()) as receiver:
        endpoint_id, _ = sending.endpoint(receiver.url)
        message = sending.hook(endpoint_id)
        for keys in ((), (new_key(),)):
            tried = deliver(PostgresStores(pool, seal=Seal(keys)), only_hooks(POST), message)
            assert tried is not None
            assert tried.again
            assert "LOBEDESK_SECRETS_KEY" in sending.row(message)["last_error"]
            sending.pass_time(86_400)
            with pytest.raises(SealedWithAnotherKey, match="LOBEDESK_SECRETS_KEY"):
                Seal(keys).open(kept(database_url, endpoint_id)[0])
        assert receiver.got == []
        outcome = deliver(sending.stores, only_hooks(POST), message)
        assert outcome is not None
        assert outcome.error is None


def test_it_is_said_when_a_secret_lies_open_or_no_key_opens_it(
    pool: Pool, database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    key = new_key()

    def said(*keys: str) -> tuple[Any, str]:
        """What `/readyz` and `lobedesk status` say with these keys."""
        stores = PostgresStores(pool, seal=Seal(keys))
        part = readiness(stores, Probes(lambda: True, lambda: True)).parts.get("webhook_secrets")
        monkeypatch.setenv("LOBEDESK_DATABASE_URL", as_url(database_url))
        monkeypatch.setenv("LOBEDESK_SECRETS_KEY", ",".join(keys))
        told = CliRunner().invoke(main, ["status"]).output
        (line,) = [line for line in told.splitlines() if line.startswith("webhook secrets")]
        return part, line

    part, line = said()
    assert part is None
    assert "LOBEDESK_SECRETS_KEY is not set" in line

    sending = start_sending(PostgresStores(pool), database_url)
    endpoint_id, _ = sending.endpoint("https://store.example/a")
    for part, line in (said(), said(key)):
        assert part.startswith("degraded: 1 lie open in the database")
        assert part.removeprefix("degraded: ") in line
        assert "lobedesk secrets seal" in line
    worker = worker_process(sending, tmp_path)
    log = tmp_path / "worker.log"
    wait_until(lambda: "lie open in the database" in log.read_text(encoding="utf-8"), "the worker to say so")
    worker.terminate()
    worker.wait(60)

    with PostgresStores(pool, seal=Seal((key,))).transaction() as transaction:
        assert transaction.endpoints.seal_again() == 1
    part, line = said(key)
    assert part is None
    assert "1 kept, sealed" in line
    part, line = said(new_key())
    assert "1 open with no key in LOBEDESK_SECRETS_KEY" in part
    assert "1 open with no key" in line
    with sending.stores.transaction() as transaction:
        transaction.endpoints.disable(endpoint_id, "taken off")
    assert said(new_key())[0] is None


@pytest.mark.parametrize(
    "wrong",
    ["short", "AAAA=", new_key() + "," + "x" * 44, "\u00e9" * 44],
    ids=["too short", "too few bytes", "a good one and a bad", "no base64"],
)
def test_a_key_that_is_none_stops_the_start(wrong: str) -> None:
    with pytest.raises(SettingsError, match="LOBEDESK_SECRETS_KEY"):
        read_settings({"LOBEDESK_SECRETS_KEY": wrong})


def test_a_key_is_made_at_the_terminal() -> None:
    made = CliRunner().invoke(main, ["secrets", "new-key"]).output.strip()
    assert read_settings({"LOBEDESK_SECRETS_KEY": made}).secrets_key == made
    refused = CliRunner().invoke(main, ["secrets", "seal"], env={"LOBEDESK_SECRETS_KEY": ""})
    assert refused.exit_code != 0

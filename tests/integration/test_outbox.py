"""The outbox on a real Postgres, with a real mail server and a real HTTP receiver at the other end."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import psycopg
import pytest
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from service.adapters.jobs import run_worker
from service.adapters.mail import MailServer
from service.adapters.postgres.pool import PostgresStores
from service.adapters.webhooks import WebhookPost
from service.domain.outbox import PAUSES_S, SPREAD, Channel, Topic
from service.serving.worker import deliveries_of
from service.workflows.ports.sending import Hook, Mail
from service.workflows.sending.deliver import Carriers, deliver, deliver_overdue
from service.workflows.sending.publish import change_secret, publish, replay
from tests.api.conftest import as_url
from tests.integration.posting import NOBODY, Sending, only_hooks, only_mail, start_sending
from tests.integration.receivers import (
    HookReceiver,
    MailBox,
    closed_port,
    hook_receiver,
    mail_server,
    silent_server,
    wait_until,
)

DAY_S = 86_400.0
SENDER = "desk@thrumbleby.example"


@pytest.fixture
def sending(stores: PostgresStores, database_url: str) -> Sending:
    return start_sending(stores, database_url)


def mail_to(url: str, **said: float) -> MailServer:
    return MailServer(url, SENDER, "Thrumbleby Cam Works", "answers@thrumbleby.example", **said)


POST = WebhookPost(private=True)


def test_a_letter_is_mailed_as_text_page_and_paper(sending: Sending) -> None:
    message_id = sending.mail()
    with mail_server(MailBox()) as box:
        outcome = deliver(sending.stores, only_mail(mail_to(box.url)), message_id)
    assert outcome is not None
    assert outcome.error is None
    (mail,) = box.taken
    assert box.recipients == ["caller@shop.example"]
    assert mail["Message-ID"] == f"<{message_id}@thrumbleby.example>"
    assert mail["From"] == "Thrumbleby Cam Works <desk@thrumbleby.example>"
    assert mail["To"] == '"A. Caller" <caller@shop.example>'
    assert mail["Reply-To"] == "Thrumbleby Cam Works <answers@thrumbleby.example>"
    assert mail["Auto-Submitted"] == "auto-generated"
    plain, page, paper = mail.get_body(("plain",)), mail.get_body(("html",)), list(mail.iter_attachments())
    assert plain is not None
    assert page is not None
    assert plain.get_content().splitlines() == ["It is WREN 7-31."]
    assert page.get_content().strip() == "<p>It is WREN 7-31.</p>"
    assert [(part.get_content_type(), part.get_content()) for part in paper] == [
        ("application/pdf", b"%PDF-1.7 not much")
    ]
    assert sending.state(message_id) == "sent"
    assert sending.row(message_id)["attempts"] == 1


def test_what_is_sent_is_not_sent_again(sending: Sending) -> None:
    message_id = sending.mail()
    with mail_server(MailBox()) as box:
        carriers = only_mail(mail_to(box.url))
        deliver(sending.stores, carriers, message_id)
        assert deliver(sending.stores, carriers, message_id) is None
        assert deliver_overdue(sending.stores, carriers, lambda: True) == 0
    assert len(box.taken) == 1


def test_a_message_and_its_job_come_to_be_with_the_change_or_not_at_all(sending: Sending) -> None:
    endpoint_id, _ = sending.endpoint("https://store.example/hook")

    def fail_afterwards() -> None:
        with sending.stores.transaction() as transaction:
            transaction.outbox.add_webhook(Topic.LETTER_ISSUED, endpoint_id, sending.submission_id, {"is": "undone"})
            raise RuntimeError("something else in the transaction fails")

    with pytest.raises(RuntimeError):
        fail_afterwards()
    assert sending.jobs() == 0
    with sending.stores.transaction() as transaction:
        assert transaction.outbox.page(None, None, None, 10) == ()
    sending.hook(endpoint_id)
    assert sending.jobs() == 1


@pytest.mark.parametrize("refusal", ["450 4.2.1 mailbox busy", "451 try later"])
def test_a_mail_refused_for_now_is_tried_again_later(sending: Sending, refusal: str) -> None:
    message_id = sending.mail()
    with mail_server(MailBox(answer=refusal)) as box:
        carriers = only_mail(mail_to(box.url))
        outcome = deliver(sending.stores, carriers, message_id)
        assert outcome is not None
        assert outcome.again
        row = sending.row(message_id)
        assert (row["state"], row["attempts"]) == ("waiting", 1)
        assert refusal in row["last_error"]
        assert 5 <= (row["due_at"] - datetime.now(UTC)).total_seconds() + 2 <= 5 * (1 + SPREAD) + 2
        assert deliver(sending.stores, carriers, message_id) is None, "it is not due yet"
        box.answer = "250 taken"
        sending.pass_time(10)
        deliver(sending.stores, carriers, message_id)
    assert sending.state(message_id) == "sent"
    assert box.ids() == [f"<{message_id}@thrumbleby.example>"]


@pytest.mark.parametrize("box", [MailBox(refuse="550 5.1.1 no such mailbox"), MailBox(answer="554 5.7.1 not wanted")])
def test_a_mail_refused_for_good_is_dead_and_can_be_replayed(sending: Sending, box: MailBox) -> None:
    message_id = sending.mail()
    with mail_server(box):
        carriers = only_mail(mail_to(box.url))
        outcome = deliver(sending.stores, carriers, message_id)
        assert outcome is not None
        assert not outcome.again
        assert sending.state(message_id) == "dead"
        assert sending.row(message_id)["last_error"].startswith("55")
        box.refuse, box.answer = "", "250 taken"
        with sending.stores.transaction() as transaction:
            assert replay(transaction, sending.key, message_id).attempts == 0
        deliver(sending.stores, carriers, message_id)
    assert sending.state(message_id) == "sent"
    assert box.ids() == [f"<{message_id}@thrumbleby.example>"]


def test_a_mail_server_that_is_not_there_or_says_nothing_only_costs_time(sending: Sending) -> None:
    message_id = sending.mail()
    refused = deliver(sending.stores, only_mail(mail_to(f"smtp://127.0.0.1:{closed_port()}")), message_id)
    sending.pass_time(10)
    with silent_server() as port:
        hung = deliver(sending.stores, only_mail(mail_to(f"smtp://127.0.0.1:{port}", timeout_s=0.2)), message_id)
    for outcome in (refused, hung):
        assert outcome is not None
        assert outcome.again
    assert sending.row(message_id)["attempts"] == 2


def test_a_mail_taken_by_a_server_that_breaks_off_before_it_says_so_comes_twice_under_one_id(sending: Sending) -> None:
    message_id = sending.mail()
    with mail_server(MailBox(drop=True)) as box:
        carriers = only_mail(mail_to(box.url))
        outcome = deliver(sending.stores, carriers, message_id)
        assert outcome is not None
        assert outcome.again
        box.drop = False
        sending.pass_time(10)
        deliver(sending.stores, carriers, message_id)
    assert sending.state(message_id) == "sent"
    assert box.ids() == [f"<{message_id}@thrumbleby.example>"] * 2


def test_a_mail_the_server_took_and_lost_can_be_sent_again_by_hand_under_its_id(sending: Sending) -> None:
    message_id = sending.mail()
    with mail_server(MailBox()) as box:
        carriers = only_mail(mail_to(box.url))
        deliver(sending.stores, carriers, message_id)
        with sending.stores.transaction() as transaction:
            replay(transaction, sending.key, message_id)
        deliver(sending.stores, carriers, message_id)
    assert box.ids() == [f"<{message_id}@thrumbleby.example>"] * 2


def test_mail_waits_where_no_mail_server_is_set(sending: Sending) -> None:
    message_id = sending.mail()
    outcome = deliver(sending.stores, Carriers(None, NOBODY), message_id)
    assert outcome is not None
    assert outcome.again
    assert "LOBEDESK_SMTP_URL" in sending.row(message_id)["last_error"]


@pytest.mark.parametrize("address", ["a,b@shop.example", "<x>@shop.example", "x@y z", "ü@shop.example", "x@[1.2.3.4]"])
def test_an_address_that_mail_servers_make_no_sense_of_reaches_none(sending: Sending, address: str) -> None:
    message_id = sending.mail(address)
    with mail_server(MailBox()) as box:
        deliver(sending.stores, only_mail(mail_to(box.url)), message_id)
    assert box.taken == []
    assert sending.state(message_id) == "dead"


def test_a_webhook_is_signed_as_the_standard_has_it(sending: Sending) -> None:
    """Verified by the reference library of the Standard Webhooks specification."""
    with hook_receiver(HookReceiver()) as receiver:
        endpoint_id, secret = sending.endpoint(receiver.url)
        message_id = sending.hook(endpoint_id, part_number="WREN 7-31", name="Zoë")
        deliver(sending.stores, only_hooks(POST), message_id)
    (request,) = receiver.got
    told = Webhook(secret).verify(request.body, request.headers)
    assert told["type"] == "letter.issued"
    assert told["data"] == {"part_number": "WREN 7-31", "name": "Zoë"}
    assert datetime.fromisoformat(told["timestamp"]).tzinfo is not None
    assert request.headers["webhook-id"] == str(message_id)
    assert request.headers["content-type"] == "application/json"
    with pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(request.body + b" ", request.headers)
    assert sending.state(message_id) == "sent"


def test_while_a_secret_is_changed_both_sign(sending: Sending) -> None:
    with hook_receiver(HookReceiver()) as receiver:
        endpoint_id, old = sending.endpoint(receiver.url)
        with sending.stores.transaction() as transaction:
            new = change_secret(transaction, sending.key, endpoint_id)
        deliver(sending.stores, only_hooks(POST), sending.hook(endpoint_id))
        with psycopg.connect(sending.url) as connection:
            connection.execute("UPDATE webhook_endpoints SET old_secret_until = now() - interval '1 second'")
        deliver(sending.stores, only_hooks(POST), sending.hook(endpoint_id))
    during, after = receiver.got
    for secret in (old, new):
        Webhook(secret).verify(during.body, during.headers)
    Webhook(new).verify(after.body, after.headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(old).verify(after.body, after.headers)


def test_a_store_that_answers_500_for_a_day_gets_every_webhook_once_it_is_back(sending: Sending) -> None:
    with hook_receiver(HookReceiver(status=500)) as receiver:
        endpoint_id, _ = sending.endpoint(receiver.url)
        message_id = sending.hook(endpoint_id)
        carriers = only_hooks(POST)
        passed, tries = 0.0, 0
        while passed < DAY_S:
            outcome = deliver(sending.stores, carriers, message_id)
            assert outcome is not None
            assert outcome.again
            tries += 1
            pause = PAUSES_S[tries - 1] * (1 + SPREAD)
            sending.pass_time(pause)
            passed += pause
        assert tries < 10, "a store that is down is left in peace between the attempts"
        receiver.status = 200
        deliver(sending.stores, carriers, message_id)
    assert sending.state(message_id) == "sent"
    assert set(receiver.ids()) == {str(message_id)}


def test_after_the_last_attempt_a_message_is_dead_and_listed(sending: Sending) -> None:
    with hook_receiver(HookReceiver(status=503)) as receiver:
        endpoint_id, _ = sending.endpoint(receiver.url)
        message_id = sending.hook(endpoint_id)
        for _ in range(len(PAUSES_S) + 1):
            assert sending.state(message_id) == "waiting"
            deliver(sending.stores, only_hooks(POST), message_id)
            sending.pass_time(2 * DAY_S)
    assert len(receiver.got) == len(PAUSES_S) + 1
    row = sending.row(message_id)
    assert (row["state"], row["last_error"]) == ("dead", "answered 503")


def test_an_address_that_is_gone_gets_nothing_more(sending: Sending) -> None:
    """410 means that the receiver wants no more (Standard Webhooks, "Deliverability and reliability")."""
    with hook_receiver(HookReceiver(status=410)) as receiver:
        endpoint_id, _ = sending.endpoint(receiver.url)
        first, second = sending.hook(endpoint_id), sending.hook(endpoint_id)
        for message_id in (first, second):
            deliver(sending.stores, only_hooks(POST), message_id)
    assert receiver.ids() == [str(first)]
    assert [sending.state(message_id) for message_id in (first, second)] == ["dead", "dead"]
    with sending.stores.transaction() as transaction:
        assert transaction.endpoints.wanting(Topic.LETTER_ISSUED, sending.key.id) == ()


def test_a_redirect_is_not_followed(sending: Sending) -> None:
    with hook_receiver(HookReceiver()) as inside, hook_receiver(HookReceiver(307, {"Location": inside.url})) as outside:
        endpoint_id, _ = sending.endpoint(outside.url)
        outcome = deliver(sending.stores, only_hooks(POST), sending.hook(endpoint_id))
    assert outcome is not None
    assert outcome.error is not None
    assert outcome.error.message == "answered 307"
    assert inside.got == []


@pytest.mark.parametrize("receiver", [HookReceiver(dawdle=0.05), HookReceiver(dawdle=30.0)])
def test_a_receiver_that_dawdles_is_left_after_the_time_there_is(sending: Sending, receiver: HookReceiver) -> None:
    receiver.dawdle = min(receiver.dawdle, 1.0)
    with hook_receiver(receiver):
        endpoint_id, _ = sending.endpoint(receiver.url)
        outcome = deliver(
            sending.stores, only_hooks(WebhookPost(private=True, timeout_s=0.4)), sending.hook(endpoint_id)
        )
    assert outcome is not None
    assert outcome.again


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]", "[::ffff:127.0.0.1]", "127.1", "0", "2130706433"])
def test_nothing_is_posted_into_a_private_network(sending: Sending, host: str) -> None:
    with hook_receiver(HookReceiver()) as receiver:
        port = receiver.url.rsplit(":", 1)[1]
        endpoint_id, _ = sending.endpoint(f"https://{host}:{port}")
        outcome = deliver(sending.stores, only_hooks(WebhookPost()), sending.hook(endpoint_id))
    assert outcome is not None
    assert outcome.error is not None
    assert "private" in outcome.error.message
    assert receiver.got == []


def test_a_store_hears_of_its_own_cases_and_of_what_it_asked_for(sending: Sending) -> None:
    stranger = start_sending(sending.stores, sending.url)
    everything, _ = sending.endpoint("https://one.example/")
    own, _ = sending.endpoint("https://two.example/", key_id=sending.key.id)
    sending.endpoint("https://three.example/", key_id=stranger.key.id)
    sending.endpoint("https://four.example/", topics=(Topic.MAIL_IN_CHANGED,))
    with sending.stores.transaction() as transaction:
        publish(transaction, Topic.LETTER_ISSUED, sending.key.id, sending.submission_id, {})
        told = {message.endpoint_id for message in transaction.outbox.page(None, None, None, 10)}
    assert told == {everything, own}


def test_erasing_a_case_takes_its_letters_and_messages_along(sending: Sending) -> None:
    sending.mail()
    with psycopg.connect(sending.url) as connection:
        connection.execute("DELETE FROM submissions")
        counts = connection.execute(
            "SELECT (SELECT count(*) FROM letters), (SELECT count(*) FROM outbox_messages)"
        ).fetchone()
    assert counts == (0, 0)


def test_a_letter_is_never_changed(sending: Sending) -> None:
    sending.mail()
    with psycopg.connect(sending.url) as connection, pytest.raises(psycopg.errors.IntegrityConstraintViolation):
        connection.execute("UPDATE letters SET plain = 'It is something else.'")


def test_sent_messages_are_forgotten_after_a_while_and_the_others_kept(sending: Sending) -> None:
    with hook_receiver(HookReceiver()) as receiver:
        endpoint_id, _ = sending.endpoint(receiver.url)
        deliver(sending.stores, only_hooks(POST), sending.hook(endpoint_id))
    waiting = sending.hook(endpoint_id)
    with psycopg.connect(sending.url) as connection:
        connection.execute("UPDATE outbox_messages SET settled_at = settled_at - interval '31 days'")
    with sending.stores.transaction() as transaction:
        assert transaction.outbox.forget_sent(30) == 1
        assert [message.id for message in transaction.outbox.page(None, None, None, 10)] == [waiting]


def test_the_worker_sends_what_was_put_in_the_outbox(sending: Sending) -> None:
    with mail_server(MailBox()) as box, hook_receiver(HookReceiver()) as receiver:
        endpoint_id, _ = sending.endpoint(receiver.url)
        ids = [sending.mail(), sending.hook(endpoint_id)]
        carriers = Carriers(mail_to(box.url), POST)
        run_worker(sending.url, lambda: 0, deliveries_of(sending.stores, carriers), until_idle=True)
    assert [sending.state(message_id) for message_id in ids] == ["sent", "sent"]
    assert (len(box.taken), len(receiver.got)) == (1, 1)
    assert sending.jobs() == 0


class _Killed(BaseException):
    """The process is gone; nothing it would have done afterwards happens."""


class _DiesBefore:
    """A worker that is killed as it is about to send."""

    def send(self, what: Mail | Hook) -> None:
        raise _Killed


class _DiesAfter:
    """A worker that is killed when it has sent and not yet said so."""

    def __init__(self, send: Callable[[Hook], None]) -> None:
        self._send = send

    def send(self, hook: Hook) -> None:
        self._send(hook)
        raise _Killed


@pytest.mark.parametrize(("dies_after", "copies"), [(False, 1), (True, 2)])
def test_a_worker_that_dies_at_its_message_loses_nothing(sending: Sending, dies_after: bool, copies: int) -> None:
    with hook_receiver(HookReceiver()) as receiver:
        endpoint_id, _ = sending.endpoint(receiver.url)
        message_id = sending.hook(endpoint_id)
        with pytest.raises(_Killed):
            deliver(sending.stores, only_hooks(_DiesAfter(POST.send) if dies_after else _DiesBefore()), message_id)
        # The message stays in the dead worker's hands for a while, and is anybody's after that.
        assert deliver_overdue(sending.stores, only_hooks(POST), lambda: True) == 0
        sending.pass_time(200)
        assert deliver_overdue(sending.stores, only_hooks(POST), lambda: True) == 1
    assert sending.state(message_id) == "sent"
    assert receiver.ids() == [str(message_id)] * copies


def worker_process(sending: Sending, folder: Path, **settings: str) -> subprocess.Popen[bytes]:
    """`lobedesk worker` as people run it."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("LOBEDESK_")}
    environment = kept | {
        "LOBEDESK_DATABASE_URL": as_url(sending.url),
        "LOBEDESK_DATA": str(folder),
        "LOBEDESK_WEBHOOK_PRIVATE": "yes",
    }
    with (folder / "worker.log").open("ab") as log:
        return subprocess.Popen([sys.executable, "-m", "service.cli", "worker"], env=environment | settings, stderr=log)


def test_a_worker_killed_between_commit_and_send_has_its_message_sent_by_the_next(
    sending: Sending, tmp_path: Path
) -> None:
    """The real command, killed by the kernel while its mail server keeps it waiting."""
    message_id = sending.mail()
    with silent_server() as port:
        worker = worker_process(sending, tmp_path, LOBEDESK_SMTP_URL=f"smtp://127.0.0.1:{port}")
        wait_until(lambda: sending.row(message_id)["held_until"] is not None, "the worker to take the message")
        worker.send_signal(signal.SIGKILL)
        worker.wait()
    assert sending.state(message_id) == "waiting"
    sending.pass_time(200)
    with mail_server(MailBox()) as box:
        carriers = only_mail(mail_to(box.url))
        assert deliver_overdue(sending.stores, carriers, lambda: True) == 1
    assert sending.state(message_id) == "sent"
    assert box.ids() == [f"<{message_id}@thrumbleby.example>"]


def test_what_the_other_side_says_of_a_customer_is_kept_and_not_logged(sending: Sending, tmp_path: Path) -> None:
    with mail_server(MailBox(refuse="550 POISON@shop.example is not here")) as box:
        message_id = sending.mail("POISON@shop.example")
        worker = worker_process(sending, tmp_path, LOBEDESK_SMTP_URL=box.url)
        wait_until(lambda: sending.state(message_id) == "dead", "the mail to be refused")
        worker.send_signal(signal.SIGTERM)
        worker.wait()
    logged = (tmp_path / "worker.log").read_text()
    assert str(message_id) in logged
    assert "POISON" not in logged
    assert "POISON" in sending.row(message_id)["last_error"]


def test_channels_and_topics_are_what_clients_know() -> None:
    assert json.dumps([*Channel, *Topic]) == '["email", "webhook", "letter.issued", "mail_in.changed", "case.ordered"]'

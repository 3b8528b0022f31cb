"""Ten thousand messages in the outbox, and workers killed at random while they send them."""

from __future__ import annotations

import random
import signal
import subprocess
import time
from collections import Counter, defaultdict
from pathlib import Path
from uuid import UUID

import psycopg
import pytest

from service.adapters.jobs import CONCURRENCY
from service.adapters.postgres.outbox_store import HOLD_S
from service.adapters.postgres.pool import PostgresStores
from service.domain.outbox import Topic
from tests.integration.posting import Sending, start_sending
from tests.integration.receivers import HookReceiver, MailBox, hook_receiver, mail_server, wait_until
from tests.integration.test_outbox import worker_process

HOOKS, MAILS, UNDONE = 9_000, 1_000, 50
WORKERS, KILLS = 3, 15
SEED = 20_261_125


class _UndoneError(Exception):
    """What the message told of did not come to be after all."""


def fill(sending: Sending, endpoint_id: UUID) -> set[UUID]:
    """Put messages in the outbox, some of them in transactions that come to nothing; the ids of those that stay."""
    ids: set[UUID] = set()
    for batch in range(0, HOOKS, 100):
        with sending.stores.transaction() as transaction:
            for number in range(batch, batch + 100):
                data = {"number": number}
                ids.add(transaction.outbox.add_webhook(Topic.LETTER_ISSUED, endpoint_id, sending.submission_id, data))
    letter = sending.letter()
    with sending.stores.transaction() as transaction:
        transaction.letters.keep(letter, sending.key.id)
        for number in range(MAILS):
            ids.add(transaction.outbox.add_email(Topic.LETTER_ISSUED, letter, f"caller-{number}@shop.example"))
    for _ in range(UNDONE):
        with pytest.raises(_UndoneError):
            add_and_undo(sending, endpoint_id)
    return ids


def add_and_undo(sending: Sending, endpoint_id: UUID) -> None:
    with sending.stores.transaction() as transaction:
        transaction.outbox.add_webhook(Topic.LETTER_ISSUED, endpoint_id, sending.submission_id, {"number": "undone"})
        raise _UndoneError


def counts(sending: Sending) -> Counter[str]:
    with psycopg.connect(sending.url) as connection:
        rows = connection.execute("SELECT state::text, count(*) FROM outbox_messages GROUP BY state").fetchall()
    return Counter({str(state): int(count) for state, count in rows})


def kill_at_random(sending: Sending, folder: Path, smtp_url: str) -> list[subprocess.Popen[bytes]]:
    """Keep workers working and kill one every few seconds, without a word of warning; the workers that are left."""
    chance = random.Random(SEED)
    workers = [worker_process(sending, folder, LOBEDESK_SMTP_URL=smtp_url) for _ in range(WORKERS)]
    for _ in range(KILLS):
        before = counts(sending)["sent"]
        # None is killed before any of them has got something done.
        wait_until(lambda before=before: counts(sending)["sent"] > before or not counts(sending)["waiting"], "progress")
        time.sleep(chance.uniform(0.2, 3.0))
        victim = chance.randrange(WORKERS)
        workers[victim].send_signal(signal.SIGKILL)
        workers[victim].wait()
        workers[victim] = worker_process(sending, folder, LOBEDESK_SMTP_URL=smtp_url)
    return workers


@pytest.mark.long
def test_of_ten_thousand_messages_each_arrives_whatever_is_killed(
    stores: PostgresStores, database_url: str, tmp_path: Path
) -> None:
    sending = start_sending(stores, database_url)
    with hook_receiver(HookReceiver()) as receiver, mail_server(MailBox()) as box:
        endpoint_id, _ = sending.endpoint(receiver.url)
        ids = fill(sending, endpoint_id)
        assert len(ids) == HOOKS + MAILS == sum(counts(sending).values())
        workers = kill_at_random(sending, tmp_path, box.url)
        try:
            wait_until(lambda: counts(sending)["waiting"] <= KILLS * CONCURRENCY, "the bulk to be sent", 1200)
            # What the killed had in hand becomes anybody's when their hold has passed.
            sending.pass_time(HOLD_S + 1)
            wait_until(lambda: counts(sending)["waiting"] == 0, "what the killed had in hand to be sent", 600)
        finally:
            for worker in workers:
                worker.send_signal(signal.SIGTERM)
            for worker in workers:
                worker.wait(60)
    assert counts(sending) == Counter({"sent": HOOKS + MAILS})

    # Every message arrived; one that came again came as it was, under its id.
    arrived = [UUID(webhook_id) for webhook_id in receiver.ids()]
    mailed = [UUID(message_id.strip("<>").partition("@")[0]) for message_id in box.ids()]
    assert set(arrived) | set(mailed) == ids
    bodies: defaultdict[str, set[bytes]] = defaultdict(set)
    for request in receiver.got:
        bodies[request.headers["webhook-id"]].add(request.body)
    assert {len(same) for same in bodies.values()} == {1}
    recipients: defaultdict[UUID, set[str]] = defaultdict(set)
    for message_id, recipient in zip(mailed, box.recipients, strict=True):
        recipients[message_id].add(recipient)
    assert {len(same) for same in recipients.values()} == {1}
    # A worker that is killed leaves at most what it had in hand to be sent twice.
    twice = len(arrived) + len(mailed) - len(ids)
    assert twice <= (KILLS + WORKERS) * CONCURRENCY

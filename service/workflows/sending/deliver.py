"""Sending what waits in the outbox: taken in one transaction, sent in none, settled in another.

A worker that dies between sending and settling leaves a message that is sent again when its hold has passed, under the
same id; so every message arrives, and whoever receives it can tell one that came twice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

from service.domain.outbox import Channel, NotDelivered, pause_after
from service.workflows.ports.sending import Hook, HookSender, Mail, MailSender, Taken
from service.workflows.ports.stores import Stores, Transaction


@dataclass(frozen=True)
class Carriers:
    """The two ways out; without a mail server e-mail waits until there is one."""

    mail: MailSender | None
    hooks: HookSender


@dataclass(frozen=True)
class Outcome:
    """What became of a message: `error` is None where the other side took it; `again` where it will be tried again."""

    taken: Taken
    error: NotDelivered | None = None
    again: bool = False


def deliver(stores: Stores, carriers: Carriers, message_id: UUID) -> Outcome | None:
    """Send one message, if it is due and nobody else has it; None where there was nothing to do."""
    with stores.transaction() as transaction:
        taken = transaction.outbox.take(message_id)
    return None if taken is None else _carry(stores, carriers, taken)


def deliver_overdue(stores: Stores, carriers: Carriers, goes_on: Callable[[], bool]) -> int:
    """Send whatever is due and in nobody's hands, its job lost or its worker dead, while `goes_on`; how many."""
    done = 0
    while goes_on():
        with stores.transaction() as transaction:
            taken = transaction.outbox.take_next()
        if taken is None:
            break
        _carry(stores, carriers, taken)
        done += 1
    return done


def _carry(stores: Stores, carriers: Carriers, taken: Taken) -> Outcome:
    try:
        _send(carriers, taken)
    except NotDelivered as error:
        with stores.transaction() as transaction:
            return Outcome(taken, error, again=_failed(transaction, taken, error))
    with stores.transaction() as transaction:
        transaction.outbox.sent(taken.message.id)
    return Outcome(taken)


def _send(carriers: Carriers, taken: Taken) -> None:
    message = taken.message
    if message.channel is Channel.WEBHOOK:
        if taken.url is None or taken.body is None:
            raise NotDelivered("Nothing is sent to this address any more.", for_good=True)
        if not taken.secrets:
            raise NotDelivered("No key in LOBEDESK_SECRETS_KEY opens this address's signing secret.")
        carriers.hooks.send(Hook(message.id, taken.url, taken.secrets, taken.body))
        return
    letter = taken.letter
    if letter is None or message.recipient is None:
        raise NotDelivered("There is no letter to send any more.", for_good=True)
    if carriers.mail is None:
        raise NotDelivered("No mail server is set: LOBEDESK_SMTP_URL.")
    carriers.mail.send(
        Mail(
            id=message.id,
            to=message.recipient,
            to_name=letter.addressee,
            subject=letter.subject,
            text=letter.text,
            html=letter.html,
            made_at=message.made_at,
            pdf=letter.pdf,
        )
    )


def _failed(transaction: Transaction, taken: Taken, error: NotDelivered) -> bool:
    """Put the message off, or bury it where it has failed for good; whether it will be tried again."""
    message = taken.message
    pause = None if error.for_good else pause_after(message.id, message.attempts)
    if error.gone and message.endpoint_id is not None:
        transaction.endpoints.disable(message.endpoint_id, "answered 410 Gone")
    if pause is None:
        transaction.outbox.bury(message.id, error.message)
    else:
        transaction.outbox.put_off(message.id, error.message, pause)
    return pause is not None

"""Telling stores' systems what happened: a message in the outbox for every address that wants to hear of it."""

from __future__ import annotations

import base64
import secrets
from typing import Any
from uuid import UUID

from service.domain.errors import Conflict, Fault, InvalidInput, NotFound
from service.domain.outbox import MessageState, Topic, fault_of_url
from service.workflows.ports.sending import Endpoint, Message
from service.workflows.ports.stores import KeyRecord, Stores, Transaction

_SECRET_BYTES = 32


def publish(
    transaction: Transaction,
    topic: Topic,
    key_id: UUID,
    submission_id: UUID | None,
    data: dict[str, Any],
    letter_id: UUID | None = None,
) -> None:
    """Tell every address that wants it of `topic` in a case opened with the key `key_id`.

    `data` leaves the house: it holds no marking, no note and no contact.
    """
    for endpoint in transaction.endpoints.wanting(topic, key_id):
        transaction.outbox.add_webhook(topic, endpoint.id, submission_id, data, letter_id)


def new_secret() -> str:
    """A signing secret as the Standard Webhooks specification writes it: `whsec_` and 32 random bytes in base64."""
    return "whsec_" + base64.b64encode(secrets.token_bytes(_SECRET_BYTES)).decode("ascii")


def add_endpoint(
    transaction: Transaction,
    key: KeyRecord,
    url: str,
    topics: tuple[Topic, ...],
    key_id: UUID | None,
    note: str,
    *,
    private: bool,
) -> tuple[Endpoint, str]:
    """Keep an address; returns it with its secret, which is shown this once.

    Raises `InvalidInput` for an address that nothing may be sent to.
    """
    fault = fault_of_url(url, private=private)
    if fault is not None:
        raise InvalidInput(faults=(Fault("/url", fault),))
    if key_id is not None and transaction.keys.named(key_id) is None:
        raise InvalidInput(faults=(Fault("/key_id", "There is no such key."),))
    secret = new_secret()
    endpoint = transaction.endpoints.add(url, secret, topics, key_id, note)
    transaction.trail.add(key.id, key.name, "webhook_added", endpoint=str(endpoint.id))
    return endpoint, secret


def list_endpoints(stores: Stores) -> tuple[Endpoint, ...]:
    """Every address, oldest first."""
    with stores.transaction() as transaction:
        return transaction.endpoints.all()


def find_endpoint(transaction: Transaction, endpoint_id: UUID) -> Endpoint:
    """One address; raises `NotFound`."""
    endpoint = transaction.endpoints.find(endpoint_id)
    if endpoint is None:
        raise NotFound("There is no such address.")
    return endpoint


def change_secret(transaction: Transaction, key: KeyRecord, endpoint_id: UUID) -> str:
    """Give an address a new secret, shown this once; the old one signs along for a day. Raises `NotFound`."""
    secret = new_secret()
    if not transaction.endpoints.change_secret(endpoint_id, secret):
        raise NotFound("There is no such address.")
    transaction.trail.add(key.id, key.name, "webhook_secret_changed", endpoint=str(endpoint_id))
    return secret


def remove_endpoint(transaction: Transaction, key: KeyRecord, endpoint_id: UUID) -> None:
    """Send nothing there any more; raises `NotFound` where nothing was."""
    if not transaction.endpoints.disable(endpoint_id, "taken off"):
        raise NotFound("Nothing is sent to such an address.")
    transaction.trail.add(key.id, key.name, "webhook_removed", endpoint=str(endpoint_id))


def list_messages(
    stores: Stores,
    key: KeyRecord,
    state: MessageState | None,
    submission_id: UUID | None,
    after: UUID | None,
    limit: int,
) -> tuple[tuple[Message, ...], UUID | None]:
    """Messages in the order they were made, and where the next page begins, None at the end.

    Which were shown with somebody's address is noted.
    """
    with stores.transaction() as transaction:
        found = transaction.outbox.page(state, submission_id, after, limit + 1)
        addressed = [str(each.id) for each in found[:limit] if each.recipient is not None]
        if addressed:
            transaction.trail.add(key.id, key.name, "messages_listed", submission_id, shown=addressed)
    return found[:limit], found[limit - 1].id if len(found) > limit else None


def replay(transaction: Transaction, key: KeyRecord, message_id: UUID) -> Message:
    """Send a settled message again, under the same id; raises `NotFound`, or `Conflict` while it waits anyway."""
    if transaction.outbox.find(message_id) is None:
        raise NotFound("There is no such message.")
    if not transaction.outbox.replay(message_id):
        raise Conflict("This message is waiting to be sent already.")
    message = transaction.outbox.find(message_id)
    if message is None:
        raise RuntimeError("a message just changed is gone")
    transaction.trail.add(key.id, key.name, "message_replayed", message.submission_id, message=str(message_id))
    return message

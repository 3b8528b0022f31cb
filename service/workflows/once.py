"""A write that may be sent twice and happens once.

The reply is kept in the transaction that does the work, so after a crash either both are there, and a retry gets the
same reply, or neither is, and a retry does the work. Errors are not kept: a refused request changed nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from uuid import UUID

from service.domain.errors import Conflict, KeyCameBefore
from service.workflows.ports.stores import KeptReply, Reply, Stores, Transaction

REPLAYED = ("Idempotency-Replayed", "true")
"""Marks a reply that was made for an earlier request with the same key."""


@dataclass(frozen=True)
class Claim:
    """A client's word that requests with this key are one: whose key, which, and the hash of the whole request."""

    key_id: UUID
    key: str
    request_hash: bytes


def once(
    stores: Stores, claim: Claim | None, work: Callable[[Transaction], Reply], *, one_statement: bool = False
) -> Reply:
    """Do `work` in one transaction; with a claim that was met before, send the reply made then.

    `one_statement` says that it writes no more than that, which needs no transaction around it where there is no claim.

    Raises `Conflict` while the same request is being answered, `KeyCameBefore` when the key came with another request.
    """
    if claim is None and one_statement:
        return stores.write(work)
    with stores.transaction() as transaction:
        if claim is None:
            return work(transaction)
        if not transaction.idempotency.claim(claim.key_id, claim.key):
            raise Conflict("A request with this Idempotency-Key is being answered; try again shortly.")
        kept = transaction.idempotency.find(claim.key_id, claim.key)
        if kept is not None:
            if kept.request_hash != claim.request_hash:
                raise KeyCameBefore
            return replace(kept.reply, headers=(*kept.reply.headers, REPLAYED))
        reply = work(transaction)
        transaction.idempotency.keep(claim.key_id, claim.key, KeptReply(claim.request_hash, reply))
        return reply

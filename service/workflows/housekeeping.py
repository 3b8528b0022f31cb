"""Chores: how one goes on until nothing is due, and the clearing away of old replies."""

from __future__ import annotations

from collections.abc import Callable

from service.workflows.ports.stores import Stores, Transaction


def until_none_is_left(stores: Stores, do_some: Callable[[Transaction], int]) -> int:
    """Do what is due, a few in each transaction, so that no request waits behind it; how many there were."""
    done = 0
    while True:
        with stores.transaction() as transaction:
            now = do_some(transaction)
        if not now:
            return done
        done += now


def forget_old_replies(stores: Stores) -> int:
    """Forget the replies kept longer than a client may send its request again; returns how many there were."""
    return until_none_is_left(stores, lambda transaction: transaction.idempotency.forget_old())

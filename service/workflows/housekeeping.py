"""What is cleared away when its time is over."""

from __future__ import annotations

from service.workflows.ports import Stores


def forget_old_replies(stores: Stores) -> int:
    """Forget the replies kept longer than a client may send its request again; returns how many there were.

    A few in each transaction, so that no request waits behind the clearing.
    """
    forgotten = 0
    while True:
        with stores.transaction() as transaction:
            now = transaction.idempotency.forget_old()
        if not now:
            return forgotten
        forgotten += now

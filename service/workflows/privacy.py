"""One customer's data: handed over, erased, and forgotten when its time is over."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any
from uuid import UUID

from service.domain.casework import Retention
from service.domain.errors import Fault, InvalidInput
from service.domain.outbox import SENT_KEPT_DAYS
from service.workflows.casework import hold_case
from service.workflows.ports import KeyRecord, Stores, Transaction

THE_SERVICE = "lobedesk"


def export_customer(
    transaction: Transaction, key: KeyRecord, email: str | None, phone: str | None
) -> tuple[dict[str, Any], ...]:
    """All that is kept of somebody's cases, oldest first; that it was handed over is noted."""
    exported = []
    for case_id in transaction.privacy.cases_of(email, _digits(phone)):
        exported.append(dict(transaction.privacy.everything(case_id)))
        transaction.trail.add(key.id, key.name, "case_exported", case_id)
    return tuple(exported)


def erase_customer(transaction: Transaction, key: KeyRecord, email: str | None, phone: str | None) -> tuple[UUID, ...]:
    """Take somebody out of all their cases: which they were.

    Readings, answers and what was decided stay, without anybody's name; the trail stays whole, since it holds nothing
    a customer wrote.
    """
    case_ids = transaction.privacy.cases_of(email, _digits(phone))
    for case_id in case_ids:
        hold_case(transaction, case_id)
        transaction.privacy.erase(case_id)
        transaction.trail.add(key.id, key.name, "case_erased", case_id)
    return case_ids


def forget_by_age(stores: Stores, retention: Retention) -> int:
    """Forget what has been kept for its time; how many things were. A few in each transaction."""
    cases: tuple[tuple[str, int, Callable[[Transaction, int], tuple[UUID, ...]]], ...] = (
        ("case_deleted", retention.cases_days, lambda it, days: it.privacy.forget_cases(days)),
        ("contact_forgotten", retention.contact_days, lambda it, days: it.privacy.forget_contacts(days)),
        ("markings_forgotten", retention.markings_days, lambda it, days: it.privacy.forget_markings(days)),
    )
    total = 0
    for action, days, forget in cases:
        while days:
            with stores.transaction() as transaction:
                forgotten = forget(transaction, days)
                for case_id in forgotten:
                    transaction.trail.add(None, THE_SERVICE, action, case_id)
            if not forgotten:
                break
            total += len(forgotten)
    counted: tuple[tuple[bool, Callable[[Transaction], int]], ...] = (
        (retention.notes_days > 0, lambda it: it.privacy.forget_notes(retention.notes_days)),
        (retention.photos_days > 0, lambda it: it.privacy.forget_photos(retention.photos_days)),
        (True, lambda it: it.outbox.forget_sent(SENT_KEPT_DAYS)),
        (True, lambda it: it.privacy.forget_links()),
    )
    for wanted, forget_some in counted:
        while wanted:
            with stores.transaction() as transaction:
                count = forget_some(transaction)
            if not count:
                break
            total += count
    return total


def _digits(phone: str | None) -> str | None:
    """A telephone number's digits, as cases are found by; raises `InvalidInput` where it has none."""
    if phone is None:
        return None
    digits = re.sub("[^0-9]", "", phone)
    if not digits:
        raise InvalidInput(faults=(Fault("/phone", "There is no digit in this number."),))
    return digits

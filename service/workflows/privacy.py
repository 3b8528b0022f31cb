"""One customer's data: handed over, erased, and forgotten when its time is over."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from service.domain.casework import Retention
from service.domain.errors import Fault, InvalidInput
from service.domain.outbox import SENT_KEPT_DAYS
from service.workflows.casework import hold_case
from service.workflows.mail_ins import hold_mail_in
from service.workflows.ports import KeyRecord, Stores, Transaction

THE_SERVICE = "lobedesk"


@dataclass(frozen=True)
class Exported:
    """All that is kept of somebody: cases, and posted shafts that belong to none of them; oldest first."""

    cases: tuple[dict[str, Any], ...]
    shafts: tuple[dict[str, Any], ...]


@dataclass(frozen=True)
class Erased:
    """Which cases somebody was taken out of, and which posted shafts that belong to none of them."""

    cases: tuple[UUID, ...]
    shafts: tuple[UUID, ...]


def export_customer(transaction: Transaction, key: KeyRecord, email: str | None, phone: str | None) -> Exported:
    """All that is kept of somebody; that it was handed over is noted."""
    digits = _digits(phone)
    case_ids = transaction.privacy.cases_of(email, digits)
    shaft_ids = transaction.privacy.shafts_of(email, digits, case_ids)
    exported = Exported(
        tuple(dict(transaction.privacy.everything(case_id)) for case_id in case_ids),
        tuple(dict(transaction.privacy.everything_of_shaft(shaft_id)) for shaft_id in shaft_ids),
    )
    for case_id in case_ids:
        transaction.trail.add(key.id, key.name, "case_exported", case_id)
    for shaft_id in shaft_ids:
        transaction.trail.add(key.id, key.name, "shaft_exported", None, mail_in=str(shaft_id))
    return exported


def erase_customer(transaction: Transaction, key: KeyRecord, email: str | None, phone: str | None) -> Erased:
    """Take somebody out of all their cases, and out of the shafts they posted: which they were.

    Readings, answers and what was decided stay, without anybody's name; the trail stays whole, since it holds nothing
    a customer wrote.
    """
    digits = _digits(phone)
    case_ids = transaction.privacy.cases_of(email, digits)
    shaft_ids = transaction.privacy.shafts_of(email, digits, case_ids)
    transaction.mail_ins.hold_of(case_ids)
    for case_id in case_ids:
        hold_case(transaction, case_id)
        transaction.privacy.erase(case_id)
        transaction.trail.add(key.id, key.name, "case_erased", case_id)
    for shaft_id in shaft_ids:
        hold_mail_in(transaction, shaft_id)
        transaction.privacy.erase_shaft(shaft_id)
        transaction.trail.add(key.id, key.name, "shaft_erased", None, mail_in=str(shaft_id))
    return Erased(case_ids, shaft_ids)


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
    shafts: tuple[tuple[str, int, Callable[[Transaction, int], tuple[UUID, ...]]], ...] = (
        ("shaft_contact_forgotten", retention.contact_days, lambda it, days: it.privacy.forget_shaft_contacts(days)),
        ("shaft_deleted", retention.cases_days, lambda it, days: it.privacy.forget_shafts(days)),
    )
    for action, days, forget in shafts:
        while days:
            with stores.transaction() as transaction:
                forgotten = forget(transaction, days)
                for shaft_id in forgotten:
                    transaction.trail.add(None, THE_SERVICE, action, None, mail_in=str(shaft_id))
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

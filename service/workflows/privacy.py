"""One customer's data: handed over, erased, and forgotten when its time is over."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from service.domain.access import THE_SERVICE
from service.domain.casework import Retention
from service.domain.outbox import SENT_KEPT_DAYS
from service.workflows.bench.mail_ins import hold_mail_in
from service.workflows.cases.find_cases import digits_of
from service.workflows.housekeeping import until_none_is_left
from service.workflows.identifying.identify import hold_case
from service.workflows.ports.reviews import TrailEntry
from service.workflows.ports.stores import KeyRecord, Stores, Transaction

GREATEST_ENTRY = 2**63 - 1
"""The trail's entries are numbered with 64 bits."""


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
    digits = digits_of(phone)
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
    digits = digits_of(phone)
    case_ids = transaction.privacy.cases_of(email, digits)
    shaft_ids = transaction.privacy.shafts_of(email, digits, case_ids)
    transaction.mail_ins.hold_of(case_ids)
    for shaft_id in shaft_ids:
        hold_mail_in(transaction, shaft_id)
        transaction.privacy.erase_shaft(shaft_id)
        transaction.trail.add(key.id, key.name, "shaft_erased", None, mail_in=str(shaft_id))
    for case_id in case_ids:
        hold_case(transaction, case_id)
        transaction.privacy.erase(case_id)
        transaction.trail.add(key.id, key.name, "case_erased", case_id)
    return Erased(case_ids, shaft_ids)


def read_trail(stores: Stores, before: int | None, limit: int) -> tuple[tuple[TrailEntry, ...], int | None]:
    """The trail, newest first, those before `before`; and the entry to go on before, if there are more."""
    with stores.transaction() as transaction:
        found = transaction.trail.page(None, before if before is None else min(before, GREATEST_ENTRY), limit + 1)
    return found[:limit], found[limit - 1].id if len(found) > limit else None


def forget_by_age(stores: Stores, retention: Retention) -> int:
    """Forget what has been kept for its time; how many things were."""
    contact_days, cases_days = retention.contact_days, retention.cases_days
    markings_days, notes_days, photos_days = retention.markings_days, retention.notes_days, retention.photos_days
    chores: tuple[tuple[int, Callable[[Transaction], int]], ...] = (
        (cases_days, lambda it: _of_cases(it, "case_deleted", it.privacy.forget_cases(cases_days))),
        (contact_days, lambda it: _of_cases(it, "contact_forgotten", it.privacy.forget_contacts(contact_days))),
        (markings_days, lambda it: _of_cases(it, "markings_forgotten", it.privacy.forget_markings(markings_days))),
        (
            contact_days,
            lambda it: _of_shafts(it, "shaft_contact_forgotten", it.privacy.forget_shaft_contacts(contact_days)),
        ),
        (cases_days, lambda it: _of_shafts(it, "shaft_deleted", it.privacy.forget_shafts(cases_days))),
        (notes_days, lambda it: it.privacy.forget_notes(notes_days)),
        (photos_days, lambda it: it.privacy.forget_photos(photos_days)),
        (SENT_KEPT_DAYS, lambda it: it.outbox.forget_sent(SENT_KEPT_DAYS)),
    )
    kept_for_a_time = sum(until_none_is_left(stores, forget) for days, forget in chores if days)
    return kept_for_a_time + until_none_is_left(stores, lambda it: it.privacy.forget_links())


def _of_cases(transaction: Transaction, action: str, case_ids: tuple[UUID, ...]) -> int:
    for case_id in case_ids:
        transaction.trail.add(None, THE_SERVICE, action, case_id)
    return len(case_ids)


def _of_shafts(transaction: Transaction, action: str, shaft_ids: tuple[UUID, ...]) -> int:
    for shaft_id in shaft_ids:
        transaction.trail.add(None, THE_SERVICE, action, None, mail_in=str(shaft_id))
    return len(shaft_ids)

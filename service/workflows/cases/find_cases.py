"""Finding a case again: by what somebody on the telephone knows of it, or by a customer's own link."""

from __future__ import annotations

import hashlib
import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from uuid import UUID

from service.domain.access import STAFF, Role
from service.domain.casework import CaseworkRules
from service.domain.errors import Fault, InvalidInput, NotAuthenticated, NotFound
from service.domain.reference import read_reference
from service.domain.review import Decision
from service.workflows.identifying.identify import as_seen_by, as_told, gone_on, hold_submission
from service.workflows.ports.cases import CaseFinder, Confirmation, FoundCase, Note, Round
from service.workflows.ports.lift_tables import KeptSheet
from service.workflows.ports.reviews import TrailEntry
from service.workflows.ports.stores import Case, KeyRecord, Stores, Transaction

LINK_BYTES = 24
LINK_PATTERN = "^[A-Za-z0-9_-]{32}$"
"""Twenty-four random bytes in base64url: 192 bits, which nobody guesses."""

_NOWHERE = "This link leads nowhere, or has lapsed; ask the desk for a new one."

LINK_HOLDER = "customer with a link"
"""Who did it, on the trail, where a customer came by a link."""

MOST_OF_THE_TRAIL = 200


@dataclass(frozen=True)
class OwnCase:
    """What a link opens: one case, and as whom it is seen and changed there."""

    holder: KeyRecord
    case_id: UUID


@dataclass(frozen=True)
class CaseFile:
    """All there is about one case."""

    case: Case
    rounds: tuple[Round, ...]
    decisions: tuple[Decision, ...]
    notes: tuple[Note, ...]
    confirmations: tuple[Confirmation, ...]
    trail: tuple[TrailEntry, ...]
    lift_tables: tuple[KeptSheet, ...] = ()


def finder_of(
    reference: str | None, name: str | None, email: str | None, phone: str | None, part_number: str | None
) -> CaseFinder:
    """What to look for; raises `InvalidInput` for a reference whose check digit is wrong, or a name of no letters."""
    checked = None
    if reference is not None:
        checked = read_reference(reference)
        if checked is None:
            detail = (
                "This is no reference: a reference has eight digits, of which the last checks the others. Ask again."
            )
            raise InvalidInput(faults=(Fault("/reference", detail),))
    names = () if name is None else tuple(re.findall(r"\w+", name))
    if name is not None and not names:
        raise InvalidInput(faults=(Fault("/name", "There is no letter in this name."),))
    return CaseFinder(checked, names, email, digits_of(phone), part_number)


def digits_of(phone: str | None) -> str | None:
    """A telephone number's digits, as cases are found by; raises `InvalidInput` where it has none."""
    if phone is None:
        return None
    digits = re.sub("[^0-9]", "", phone)
    if not digits:
        raise InvalidInput(faults=(Fault("/phone", "There is no digit in this number."),))
    return digits


def find_cases(
    transaction: Transaction, key: KeyRecord, finder: CaseFinder, before: UUID | None, limit: int
) -> tuple[tuple[FoundCase, ...], UUID | None]:
    """Cases that fit, newest first, and where the next page begins; which were shown is noted."""
    found = transaction.cases.search(finder, before, limit + 1)
    shown = found[:limit]
    transaction.trail.add(key.id, key.name, "cases_searched", None, shown=[str(case.id) for case in shown])
    return shown, shown[-1].id if len(found) > limit else None


def case_file(transaction: Transaction, key: KeyRecord, case_id: UUID) -> CaseFile:
    """All there is about one case; that it was read is noted. Raises `NotFound`."""
    case = transaction.submissions.find(case_id)
    if case is None:
        raise NotFound
    transaction.trail.add(key.id, key.name, "case_read", case.id)
    return CaseFile(
        case,
        transaction.submissions.rounds(case_id),
        transaction.cases.decisions(case_id),
        transaction.cases.notes(case_id),
        transaction.cases.confirmations(case_id),
        transaction.trail.page(case_id, None, MOST_OF_THE_TRAIL),
        transaction.lift_tables.of_submission(case_id),
    )


def make_link(transaction: Transaction, key: KeyRecord, case_id: UUID, rules: CaseworkRules) -> tuple[str, datetime]:
    """A new way back to a case, and when it lapses. Only its hash is kept. Raises `NotFound`."""
    case = hold_submission(transaction, key, case_id)
    token = secrets.token_urlsafe(LINK_BYTES)
    lapses_at = transaction.cases.add_link(case.id, _digest(token), timedelta(days=rules.link_days))
    transaction.trail.add(key.id, key.name, "link_made", case.id)
    return token, lapses_at


def follow_link(transaction: Transaction, key: KeyRecord, token: str) -> Case:
    """The case a link leads to, as this key may see it, and as its customer was told of it whatever the key.

    Raises `NotFound` for a link that never was, has lapsed, or is of another store's customer: nobody is told which.
    """
    link = transaction.cases.find_link(_digest(token))
    case = None if link is None else transaction.submissions.find(link[0])
    if case is None or (key.id != case.key_id and key.role not in STAFF):
        raise NotFound(_NOWHERE)
    return as_seen_by(key, as_told(gone_on(transaction, case)))


def own_case(stores: Stores, token: str) -> OwnCase:
    """What a link opens to whoever has it, who needs no key: its one case, with a store's customer's eyes and rights.

    Raises `NotAuthenticated` for a link that never was, or has lapsed: nobody is told which.
    """
    link = None
    if re.fullmatch(LINK_PATTERN, token):
        link = stores.look(lambda transaction: transaction.cases.find_link(_digest(token)))
    if link is None:
        raise NotAuthenticated(_NOWHERE)
    case_id, key_id = link
    return OwnCase(KeyRecord(key_id, Role.WIDGET, LINK_HOLDER), case_id)


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()

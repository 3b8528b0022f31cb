"""Callers who were asked for a reading and never came back: reminded once, and then their case is closed."""

from __future__ import annotations

from uuid import UUID

from service.domain.access import THE_SERVICE, Role
from service.domain.casework import CaseworkRules, ClosedWhy
from service.domain.errors import InvalidInput
from service.workflows.housekeeping import until_none_is_left
from service.workflows.ports.cases import Silent
from service.workflows.ports.stores import KeyRecord, Stores, Transaction
from service.workflows.sending.letters import Post, Stationery, issue

LOOKED_AT = 500
"""Cases looked at by one statement, so that none takes longer for there being many."""


def remind_half_done(stores: Stores, stationery: Stationery, rules: CaseworkRules) -> int:
    """Remind the callers whose time has come, each once, by a letter that asks for the reading; how many were due.

    Who left no e-mail address cannot be written to: that is noted, and the desk finds the case as left half done.
    """
    reminded = 0
    last: Silent | None = None
    while True:
        with stores.transaction() as transaction:
            silent = transaction.cases.silent(rules.remind_days, last, LOOKED_AT)
        if not silent:
            return reminded
        while due := _remind(stores, stationery, rules, silent):
            reminded += due
        last = silent[-1]


def _remind(stores: Stores, stationery: Stationery, rules: CaseworkRules, silent: tuple[Silent, ...]) -> int:
    """Remind a few of these who are due; how many there were."""
    with stores.transaction() as transaction:
        due = transaction.cases.take_half_done(rules.remind_days, tuple(one.id for one in silent))
        for case_id, key_id in due:
            written = _write(transaction, stationery, case_id, key_id)
            transaction.trail.add(None, THE_SERVICE, "caller_reminded", case_id, written=written)
    return len(due)


def close_half_done(stores: Stores, rules: CaseworkRules) -> int:
    """Close the cases of callers who were reminded and never came back; how many there were."""

    def close_some(transaction: Transaction) -> int:
        due = transaction.cases.close_half_done(rules.close_days)
        for case_id in due:
            transaction.trail.add(None, THE_SERVICE, "case_closed", case_id, why=ClosedWhy.NO_REPLY.value)
        return len(due)

    return until_none_is_left(stores, close_some)


def _write(transaction: Transaction, stationery: Stationery, case_id: UUID, key_id: UUID) -> bool:
    case = transaction.submissions.find(case_id)
    if case is None or case.submission.contact is None or case.submission.contact.email is None:
        return False
    if case.told is not None:
        return False  # what the letter would say is a person's to let out
    # Issued on behalf of the key the case came in by, since nobody sits at this one.
    service = KeyRecord(key_id, Role.DESK, THE_SERVICE)
    try:
        issue(transaction, stationery, service, case_id, Post(email=True))
    except InvalidInput:
        return False  # no mail server, or an address that cannot be written to
    return True

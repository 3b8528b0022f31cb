"""Lift tables kept with a submission, a posted shaft, or both: the raw rows, and an answer that rests on them."""

from __future__ import annotations

from datetime import UTC, datetime
from uuid import UUID

from service.domain.access import STAFF
from service.domain.bench import Conditions
from service.domain.casework import CaseworkRules
from service.domain.errors import Conflict, Fault, InvalidInput, NotFound
from service.domain.mail_in import IN_HOUSE
from service.lobe.sent_sheet import SentSheet
from service.workflows.identifying.at_hand import AtHand
from service.workflows.identifying.bench_record import bench_advice, settle
from service.workflows.identifying.identify import Addition, add_to_submission, hold_submission
from service.workflows.ports.lift_tables import KeptSheet
from service.workflows.ports.stores import KeyRecord, Transaction

MOST_SHEETS = 20
"""So many sheets one submission, or one shaft, may have."""


def keep_tables(
    transaction: Transaction,
    at_hand: AtHand,
    key: KeyRecord,
    sent: SentSheet,
    submission_id: UUID | None,
    mail_in_id: UUID | None,
    rules: CaseworkRules,
    conditions: Conditions | None = None,
) -> KeptSheet:
    """Keep tables, and answer their submission again. They must have been worked out before: a bad one is not kept.

    Raises `InvalidInput` for a submission or a shaft there is not, or that do not belong together, and `Conflict` for a
    shaft that is not here and a case that was merged.
    """
    if mail_in_id is not None:
        submission_id = _hold_shaft(transaction, mail_in_id, submission_id)
    case = None
    if submission_id is not None:
        try:
            case = hold_submission(transaction, key, submission_id)
        except NotFound:
            raise InvalidInput(faults=(Fault("/submission", "There is no such submission."),)) from None
        if len(transaction.lift_tables.of_submission(submission_id)) >= MOST_SHEETS:
            raise Conflict(f"This submission has {MOST_SHEETS} sheets of lift tables already.")
    bench = None
    if conditions is not None:
        model, today = at_hand.snapshot.model, datetime.now(UTC).date()
        bench = settle(transaction, model, conditions, (), sent.unit, today, key.name, sent.lobes).record
    sheet_id = transaction.lift_tables.keep(key.id, key.name, sent, submission_id, mail_in_id, bench)
    if mail_in_id is not None:
        transaction.mail_ins.touch(mail_in_id)
    transaction.trail.add(key.id, key.name, "lift_tables_kept", submission_id, lift_tables=str(sheet_id))
    if case is not None:
        addition = Addition(lift_tables=True, advice=bench_advice(bench))
        add_to_submission(transaction, at_hand, key, case, addition, rules)
    return read_tables(transaction, key, sheet_id)


def _hold_shaft(transaction: Transaction, mail_in_id: UUID, submission_id: UUID | None) -> UUID | None:
    """Hold a posted shaft that is in the house; its submission."""
    shaft = transaction.mail_ins.find(mail_in_id, for_update=True)
    if shaft is None:
        raise InvalidInput(faults=(Fault("/mail_in", "There is no such shaft."),))
    if submission_id not in (None, shaft.submission_id):
        raise InvalidInput(faults=(Fault("/submission", "This is not the submission of that shaft."),))
    if shaft.state not in IN_HOUSE:
        raise Conflict(f"A shaft that is {shaft.state.value} does not lie on the bench; record that it came first.")
    if len(shaft.lift_tables) >= MOST_SHEETS:
        raise Conflict(f"This shaft has {MOST_SHEETS} sheets of lift tables already.")
    return shaft.submission_id


def read_tables(transaction: Transaction, key: KeyRecord, sheet_id: UUID) -> KeptSheet:
    """Kept tables; raises `NotFound`."""
    kept = transaction.lift_tables.find(sheet_id)
    if kept is None or key.role not in STAFF:
        raise NotFound("There are no such lift tables.")
    return kept


def withdraw_tables(
    transaction: Transaction, at_hand: AtHand, key: KeyRecord, sheet_id: UUID, reason: str, rules: CaseworkRules
) -> KeptSheet:
    """Let kept tables count no longer, and answer their submission again without them. They are still kept.

    Raises `NotFound`, and `Conflict` where that was said before.
    """
    kept = read_tables(transaction, key, sheet_id)
    case = None if kept.submission_id is None else hold_submission(transaction, key, kept.submission_id)
    if not transaction.lift_tables.withdraw(sheet_id, key.id, key.name, reason):
        raise Conflict("These lift tables were withdrawn before.")
    transaction.trail.add(key.id, key.name, "lift_tables_withdrawn", kept.submission_id, lift_tables=str(sheet_id))
    if case is not None:
        others = [each for each in transaction.lift_tables.of_submission(case.id) if each.withdrawal is None]
        still = {advice for each in others for advice in bench_advice(each.bench)}
        unsaid = tuple(advice for advice in bench_advice(kept.bench) if advice not in still)
        addition = Addition(lift_tables=True, unsaid=unsaid)
        add_to_submission(transaction, at_hand, key, case, addition, rules)
    return read_tables(transaction, key, sheet_id)

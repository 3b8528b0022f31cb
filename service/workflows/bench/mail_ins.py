"""Shafts that are posted in, from the announcement to the way back.

Each function works inside the caller's transaction: what happened, where the shaft now stands, the answer its readings
gave and the letter that tells of it come to be together, or not at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from service.domain.access import STAFF
from service.domain.bench import Conditions
from service.domain.casework import CaseworkRules
from service.domain.errors import Conflict, Fault, InvalidInput, NotFound
from service.domain.identification import Advice
from service.domain.mail_in import (
    IN_HOUSE,
    ArrivedCondition,
    EventKind,
    InTwoPlaces,
    MailInState,
    NoConsent,
    Patience,
    after,
)
from service.domain.outbox import Topic
from service.domain.readings import Contact, Instrument, Marking, Reading, Source, Submission
from service.domain.units import LengthUnit
from service.workflows.bench.shaft_words import code_of, shaft_lines
from service.workflows.identifying.at_hand import AtHand
from service.workflows.identifying.bench_record import bench_advice, settle, taken_with
from service.workflows.identifying.identify import (
    Addition,
    add_to_submission,
    hold_submission,
    hold_to_add_to,
    open_submission,
)
from service.workflows.keys import name_on
from service.workflows.ports.mail_ins import Announcement, Happened, MailIn, Standing
from service.workflows.ports.stores import KeyRecord, Stores, Transaction
from service.workflows.sending.letters import ON_PAPER, Post, Stationery, issue
from service.workflows.sending.publish import publish

CLOCKS_APART = timedelta(minutes=5)
"""How far ahead of ours the clock of whoever tells of an event may run."""


@dataclass(frozen=True)
class NewEvent:
    """What is told of something that happened to a shaft. `at` None is now; `place` None is where it lies.

    `taken_from` is where it lay, as far as whoever tells of it knows. Readings, what goes with them and the bench's
    conditions belong to `measured`, `condition` to `received`, `post` to `reported`; consent says in `note` how it was
    given.
    """

    kind: EventKind
    at: datetime | None = None
    place: str | None = None
    taken_from: str | None = None
    by: str | None = None
    note: str | None = None
    condition: tuple[ArrivedCondition, ...] = ()
    unit: LengthUnit | None = None
    instrument: Instrument | None = None
    readings: tuple[Reading, ...] = ()
    gear_teeth: int | None = None
    markings: tuple[Marking, ...] = ()
    post: Post = ON_PAPER
    tracking: str | None = None
    conditions: Conditions | None = None


@dataclass(frozen=True)
class Bench:
    """What the work on posted shafts goes by: the answers, the desk's rules for their cases, what letters are written
    on, how soon is late."""

    at_hand: AtHand
    rules: CaseworkRules
    stationery: Stationery
    patience: Patience


def announce(
    transaction: Transaction,
    key: KeyRecord,
    patience: Patience,
    *,
    submission_id: UUID | None,
    unit: LengthUnit | None,
    contact: Contact | None,
    send_back_to: tuple[str, ...],
    note: str | None,
) -> MailIn:
    """Expect a shaft, of a submission or of nobody known yet.

    Raises `InvalidInput` where the submission is not this key's to see or is in another unit, and `Conflict` where its
    shaft is on its way, or here, already, or it was merged into another.
    """
    if submission_id is not None:
        try:
            _, case = hold_to_add_to(transaction, key, submission_id)
        except NotFound:
            raise InvalidInput(faults=(Fault("/submission", "There is no such submission."),)) from None
        if unit not in (None, case.submission.unit):
            detail = f"This submission is in {case.submission.unit.words}."
            raise InvalidInput(faults=(Fault("/unit", detail),))
        submission_id = case.id
        if transaction.mail_ins.open_of(submission_id) is not None:
            raise Conflict("The shaft of this submission is on its way, or here, already.")
        unit, contact = case.submission.unit, contact or case.submission.contact
    now = datetime.now(UTC)
    due_at = patience.due(MailInState.ANNOUNCED, now)
    if due_at is None:
        raise RuntimeError("an announced shaft is always due some day")
    said = Announcement(submission_id, unit or LengthUnit.INCH, contact, send_back_to, note)
    mail_in_id = transaction.mail_ins.announce(key.id, said, due_at)
    happened = Happened(1, EventKind.ANNOUNCED, now, now, key.name, "with its owner")
    transaction.mail_ins.note(mail_in_id, key.id, happened)
    transaction.trail.add(key.id, key.name, "mail_in_announced", submission_id, mail_in=str(mail_in_id))
    mail_in = _found(transaction, mail_in_id)
    _publish(transaction, mail_in, happened)
    return as_seen_by(key, mail_in)


def read_mail_in(transaction: Transaction, key: KeyRecord, mail_in_id: UUID) -> MailIn:
    """A shaft as this key may see it; raises `NotFound` for one that is not this key's to see.

    That somebody here saw whose it is, or what was noted of it, is noted.
    """
    mail_in = transaction.mail_ins.find(mail_in_id)
    if mail_in is None or (key.role not in STAFF and mail_in.key_id != key.id):
        raise NotFound("There is no such shaft.")
    if key.role in STAFF and _is_private(mail_in):
        transaction.trail.add(key.id, key.name, "mail_in_read", mail_in.submission_id, mail_in=str(mail_in.id))
    return as_seen_by(key, mail_in)


def hold_mail_in(transaction: Transaction, mail_in_id: UUID) -> MailIn:
    """A shaft whose record nobody else can change until the transaction ends; raises `NotFound`."""
    mail_in = transaction.mail_ins.find(mail_in_id, for_update=True)
    if mail_in is None:
        raise NotFound("There is no such shaft.")
    return mail_in


def list_mail_ins(
    stores: Stores,
    key: KeyRecord,
    state: MailInState | None,
    overdue: bool | None,
    reference: str | None,
    beyond: UUID | None,
    limit: int,
) -> tuple[tuple[MailIn, ...], UUID | None]:
    """Shafts in the order they were announced, and where the next page begins, None at the end.

    Whose were shown with a name, an address or a note is noted.
    """
    with stores.transaction() as transaction:
        found = transaction.mail_ins.page(state, overdue, reference, beyond, limit + 1)
        private = [str(each.id) for each in found[:limit] if _is_private(each)]
        if private:
            transaction.trail.add(key.id, key.name, "mail_ins_listed", None, shown=private)
    return found[:limit], found[limit - 1].id if len(found) > limit else None


def _is_private(mail_in: MailIn) -> bool:
    return mail_in.contact is not None or bool(mail_in.send_back_to) or mail_in.note is not None


def record(transaction: Transaction, bench: Bench, key: KeyRecord, mail_in: MailIn, told: NewEvent) -> MailIn:
    """Record what happened to a held shaft, with all that follows from it.

    Raises `ImpossibleOrder`, `InTwoPlaces` and `NoConsent`, and `InvalidInput` for a moment that cannot be and where a
    shared key does not say who tells of it.
    """
    who = name_on(key, told.by, "/by")
    state = after(mail_in.state, told.kind)
    now = datetime.now(UTC)
    at = _moment(told, mail_in, now)
    place = _place(told, mail_in)
    if told.kind is EventKind.SCRAPPED and not mail_in.consented:
        raise NoConsent
    submission_id, details = mail_in.submission_id, {"tracking": told.tracking} if told.tracking else {}
    if told.kind is EventKind.MEASURED:
        submission_id, details = _measured(transaction, bench, key, mail_in, told, at, who)
    number = len(mail_in.events) + 1
    happened = Happened(number, told.kind, at, now, who, place, told.condition, told.note, details)
    if told.kind is EventKind.REPORTED:
        if submission_id is None:
            raise Conflict("This shaft's submission is gone; there is nothing to report.")
        letter = issue(
            transaction,
            bench.stationery,
            key,
            submission_id,
            told.post,
            by=who,
            mail_in_id=mail_in.id,
            shaft=shaft_lines(mail_in),
        )
        happened = replace(happened, details={"letter": str(letter.id)})
    transaction.mail_ins.note(mail_in.id, key.id, happened)
    due_at = mail_in.due_at if state is mail_in.state else bench.patience.due(state, now)
    consented = mail_in.consented or told.kind is EventKind.CONSENTED
    lies_at = place if state in IN_HOUSE else None
    transaction.mail_ins.stand(mail_in, Standing(state, lies_at, due_at, submission_id, consented))
    transaction.trail.add(key.id, who, f"mail_in_{told.kind.value}", submission_id, mail_in=str(mail_in.id))
    changed = _found(transaction, mail_in.id)
    _publish(transaction, changed, happened)
    return changed


def as_seen_by(key: KeyRecord, mail_in: MailIn) -> MailIn:
    """What this key may see of a shaft: staff all of it, a store's customer where it stands."""
    if key.role in STAFF:
        return mail_in
    events = tuple(
        replace(event, who="the desk", place="", note=None, details={}, condition=()) for event in mail_in.events
    )
    bare = replace(mail_in, contact=None, send_back_to=(), note=None, place=None)
    return replace(bare, events=events, photos=(), lift_tables=())


def _moment(told: NewEvent, mail_in: MailIn, now: datetime) -> datetime:
    last = mail_in.events[-1].at
    at = max(now, last) if told.at is None else told.at
    if at > now + CLOCKS_APART:
        raise InvalidInput(faults=(Fault("/at", "This lies in the future; record it when it has happened."),))
    if at < last:
        detail = f"The event before it was on {last.isoformat(timespec='seconds')}; this cannot be earlier."
        raise InvalidInput(faults=(Fault("/at", detail),))
    return at


def _place(told: NewEvent, mail_in: MailIn) -> str:
    if told.taken_from is not None and told.taken_from != mail_in.place:
        lies = f"at {mail_in.place}" if mail_in.place else "not here"
        raise InTwoPlaces(f"This shaft is {lies}, not at {told.taken_from}.")
    if told.place is not None:
        return told.place
    if told.kind in (EventKind.RECEIVED, EventKind.MOVED):
        raise InvalidInput(faults=(Fault("/place", "Say where the shaft lies now."),))
    if told.kind is EventKind.WITHDRAWN:
        return "with its owner"
    return "handed to the carrier" if told.kind is EventKind.RETURNED else mail_in.place or "not here"


def _measured(
    transaction: Transaction, bench: Bench, key: KeyRecord, mail_in: MailIn, told: NewEvent, at: datetime, who: str
) -> tuple[UUID, dict[str, Any]]:
    readings, kept = tuple(taken_with(reading, told.instrument) for reading in told.readings), {}
    advice: tuple[Advice, ...] = ()
    if told.conditions is not None:
        unit, model = told.unit or mail_in.unit, bench.at_hand.snapshot.model
        settled = settle(transaction, model, told.conditions, readings, unit, at.date(), who)
        readings, kept, advice = settled.readings, {"bench": settled.record}, settled.advice
    if mail_in.submission_id is None:
        owner = transaction.keys.named(mail_in.key_id)
        if owner is None:
            raise RuntimeError("a shaft was announced with a key that never was")
        submission = Submission(
            source=Source.MAIL_IN,
            unit=told.unit or mail_in.unit,
            readings=readings,
            gear_teeth=told.gear_teeth,
            markings=told.markings,
            contact=mail_in.contact,
        )
        opened = open_submission(transaction, bench.at_hand, owner, submission, bench.rules, advice)
        if transaction.lift_tables.give(mail_in.id, opened.id):
            case = hold_submission(transaction, key, opened.id)
            tables = transaction.lift_tables.of_submission(opened.id)
            of_tables = tuple(each for sheet in tables if not sheet.withdrawal for each in bench_advice(sheet.bench))
            addition = Addition(lift_tables=True, advice=of_tables)
            opened = add_to_submission(transaction, bench.at_hand, key, case, addition, bench.rules)
        return opened.id, {"round": opened.latest.number} | kept
    case = hold_submission(transaction, key, mail_in.submission_id)
    addition = Addition(readings, told.unit, told.gear_teeth, told.markings, advice=advice)
    answered = add_to_submission(transaction, bench.at_hand, key, case, addition, bench.rules)
    return answered.id, {"round": answered.latest.number} | kept


def _publish(transaction: Transaction, mail_in: MailIn, happened: Happened) -> None:
    told = {
        "mail_in_id": str(mail_in.id),
        "submission_id": None if mail_in.submission_id is None else str(mail_in.submission_id),
        "reference": code_of(mail_in),
        "event": happened.kind.value,
        "state": mail_in.state.value,
        "at": happened.at.isoformat(),
    }
    publish(transaction, Topic.MAIL_IN_CHANGED, mail_in.key_id, mail_in.submission_id, told)


def _found(transaction: Transaction, mail_in_id: UUID) -> MailIn:
    mail_in = transaction.mail_ins.find(mail_in_id)
    if mail_in is None:
        raise RuntimeError("a shaft just written is gone")
    return mail_in

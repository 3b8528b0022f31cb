"""Letters: written from a case, kept as they are issued, and handed to the outbox in the same transaction."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID, uuid4

from service.documents.letter import Facts, Letter, Verdict, compose
from service.documents.letter_html import letter_html
from service.documents.letter_text import letter_text
from service.domain.catalogue import Part
from service.domain.errors import Fault, InvalidInput, NotFound
from service.domain.identification import AnswerState
from service.domain.outbox import Topic, can_be_written_to
from service.domain.reference import spoken
from service.domain.review import Confidence, Outcome
from service.domain.supplier import Supplier
from service.workflows.identifying.identify import check_not_merged, hold_submission, read_submission
from service.workflows.identifying.told import let_out
from service.workflows.keys import name_on
from service.workflows.ports.sending import KeptLetter, Message
from service.workflows.ports.stores import Case, KeyRecord, Transaction
from service.workflows.sending.publish import publish

_STATE_OF = {
    Outcome.PART: AnswerState.IDENTIFIED,
    Outcome.NOT_IN_CATALOGUE: AnswerState.NOT_IN_CATALOGUE,
    Outcome.CANNOT_TELL: AnswerState.MORE_READINGS_NEEDED,
}
_SURENESS_OF = {
    Confidence.SURE: "sure",
    Confidence.LIKELY: "likely, but not certain",
    Confidence.GUESS: "no more than a guess",
}


@dataclass(frozen=True)
class Stationery:
    """What letters are written on: the supplier's name and wording, and whether there is a mail server."""

    supplier: Supplier
    sends_mail: bool = False


PLAIN_STATIONERY = Stationery(Supplier())


@dataclass(frozen=True)
class Post:
    """How a letter is to travel: `email` to the case's contact or to `to`; webhooks go out in any case."""

    email: bool = False
    to: str | None = None


ON_PAPER = Post()


def draft(transaction: Transaction, stationery: Stationery, key: KeyRecord, submission_id: UUID) -> Letter:
    """The letter a case would be answered with now; nothing is kept. Raises `NotFound`."""
    case = read_submission(transaction, key, submission_id)
    return _compose(transaction, stationery.supplier, case, datetime.now(UTC), ())


def issue(
    transaction: Transaction,
    stationery: Stationery,
    key: KeyRecord,
    submission_id: UUID,
    post: Post,
    *,
    by: str | None = None,
    mail_in_id: UUID | None = None,
    shaft: tuple[str, ...] = (),
) -> KeptLetter:
    """Keep the letter a case is answered with, and put it in the outbox.

    `by` is who writes it, who at a shared key must say so; the key's name otherwise. `shaft` says what became of a
    shaft that was posted in. Whoever issues a letter has told the customer what is in it, whatever waited to be
    decided. Raises `NotFound`, `InvalidInput` where it is to be mailed and cannot be, and `Conflict` for a case that
    was merged.
    """
    from service.documents.letter_pdf import letter_pdf  # here, because what draws it is slow to import

    case = hold_submission(transaction, key, submission_id)
    check_not_merged(case, "write the letter there")
    recipient = _recipient(stationery, case, post) if post.email else None
    issued_at, who = datetime.now(UTC), name_on(key, by)
    letter = _compose(transaction, stationery.supplier, case, issued_at, shaft)
    kept = KeptLetter(
        id=uuid4(),
        submission_id=case.id,
        mail_in_id=mail_in_id,
        round=case.latest.number,
        subject=letter.subject,
        addressee=letter.addressee,
        html=letter_html(letter),
        text=letter_text(letter),
        pdf=letter_pdf(letter),
        issued_by=who,
        issued_at=issued_at,
    )
    transaction.letters.keep(kept, key.id)
    let_out(transaction, key, who, case)
    if recipient is not None:
        transaction.outbox.add_email(Topic.LETTER_ISSUED, kept, recipient)
    transaction.trail.add(key.id, who, "letter_issued", case.id, letter=str(kept.id))
    publish(transaction, Topic.LETTER_ISSUED, case.key_id, case.id, _told(case, kept), letter_id=kept.id)
    return kept


def messages_of(transaction: Transaction, letter: KeptLetter) -> tuple[Message, ...]:
    """The messages that carry a letter."""
    return transaction.outbox.of_letter(letter.id)


def find_letter(transaction: Transaction, key: KeyRecord, letter_id: UUID) -> tuple[KeptLetter, tuple[Message, ...]]:
    """A letter and the messages that carry it; that it was read is noted. Raises `NotFound`."""
    letter = transaction.letters.find(letter_id)
    if letter is None:
        raise NotFound("There is no such letter.")
    transaction.trail.add(key.id, key.name, "letter_read", letter.submission_id, letter=str(letter_id))
    return letter, messages_of(transaction, letter)


def letters_of(
    transaction: Transaction, key: KeyRecord, submission_id: UUID
) -> tuple[tuple[KeptLetter, tuple[Message, ...]], ...]:
    """The letters of a submission with their messages, newest first; raises `NotFound`."""
    case = read_submission(transaction, key, submission_id)
    letters = transaction.letters.of_submission(case.id)
    return tuple((letter, messages_of(transaction, letter)) for letter in letters)


def _recipient(stationery: Stationery, case: Case, post: Post) -> str:
    contact = case.submission.contact
    address = post.to or (contact.email if contact is not None else None)
    if address is None:
        raise InvalidInput(faults=(Fault("/to", "This case has no e-mail address; give one."),))
    if not can_be_written_to(address):
        raise InvalidInput(faults=(Fault("/to", "No mail can be sent to such an address."),))
    if not stationery.sends_mail:
        raise InvalidInput(faults=(Fault("/email", "No mail server is set up here."),))
    return address


def _compose(
    transaction: Transaction, supplier: Supplier, case: Case, written_at: datetime, shaft: tuple[str, ...]
) -> Letter:
    answer, revision = case.latest.identification, case.latest.catalogue_revision
    verdict = None
    numbers = {candidate.part_number for candidate in answer.candidates}
    if case.decision is not None:
        said = case.decision.verdict
        verdict = Verdict(_STATE_OF[said.outcome], said.part_number, _SURENESS_OF[said.confidence])
        revision = case.decision.catalogue_revision
        numbers |= {said.part_number} if said.part_number else set()
    return compose(
        Facts(
            submission=case.submission,
            identification=answer,
            catalogue_revision=revision,
            parts=_parts(transaction, revision, numbers),
            cores={core.code: core for core in transaction.catalogue.cores(revision)},
            reference=spoken(case.reference),
            written_on=written_at.date(),
            verdict=verdict,
            shaft=shaft,
        ),
        supplier,
    )


def _parts(transaction: Transaction, revision: int, numbers: set[str]) -> dict[str, Part]:
    found = (transaction.catalogue.part(revision, number) for number in sorted(numbers))
    return {part.part_number: part for part in found if part is not None}


def _told(case: Case, letter: KeptLetter) -> dict[str, Any]:
    """What a store is told of a letter: what was found, and nothing of whom or of what was said in private."""
    answer = case.latest.identification
    best = answer.candidates[0] if answer.state is AnswerState.IDENTIFIED and answer.candidates else None
    part_number, state, sureness = None, answer.state, None
    if case.decision is not None:
        said = case.decision.verdict
        part_number, state, sureness = said.part_number, _STATE_OF[said.outcome], said.confidence.value
    elif best is not None:
        part_number = best.part_number
    return {
        "letter_id": str(letter.id),
        "submission_id": str(case.id),
        "reference": case.reference,
        "state": state.value,
        "part_number": part_number,
        "probability": round(best.probability, 6) if best is not None and case.decision is None else None,
        "confidence": sureness,
        "issued_at": letter.issued_at.isoformat(),
    }

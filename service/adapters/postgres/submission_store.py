"""Submissions, their rounds and answers in Postgres."""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import replace
from typing import Any
from uuid import UUID

from psycopg.types.json import Jsonb
from uuid6 import uuid7

from service.adapters.postgres.case_store import CaseStore
from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.postgres.review_store import ReviewStore, review_of, values_of
from service.adapters.stored_form import (
    STORED_FORM,
    answer_from_stored,
    answer_to_json,
    readings_to_stored,
    submission_from_stored,
    submission_to_stored,
)
from service.domain.casework import ClosedWhy
from service.domain.errors import NotFound, StaleRevision
from service.domain.identification import Identification
from service.domain.readings import Reading, Submission
from service.domain.reference import REFERENCES, reference_of
from service.domain.review import Decision
from service.workflows.ports.cases import Round, StillShown
from service.workflows.ports.reviews import NewReview, Review
from service.workflows.ports.stores import Case

QUERIES = Queries("submissions")

_TRIES = 100
"""Half of all references may be in use, and a free one is still missed only once in 10 ** 30."""

_NO_REVIEW = dict.fromkeys(("review_id", "reason", "second_look", "priority", "skill", "due_in", "not_for"))


def _none_needed(_submission_id: UUID) -> None:
    """No review."""


class SubmissionStore:
    """Satisfies `service.workflows.ports.stores.SubmissionStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def open(
        self,
        key_id: UUID,
        submission: Submission,
        identification: Identification,
        catalogue_revision: int,
        review_for: Callable[[UUID], NewReview | None] = _none_needed,
    ) -> Case:
        """Keep a new submission with its first round and the review that `review_for` says its id needs.

        One statement, and returned as `find` would return it.
        """
        submission_id = UUID(int=uuid7().int)
        review = review_for(submission_id)
        values: dict[str, Any] = {"id": submission_id, "key_id": key_id, "source": submission.source.value}
        values |= _NO_REVIEW if review is None else values_of(review)
        values |= _head_of(submission, identification)
        values |= _answer_of(submission.readings, identification, catalogue_revision)
        for _ in range(_TRIES):
            # Drawn, not counted: a reference tells nobody how many cases there are.
            reference = reference_of(secrets.randbelow(REFERENCES))
            row = self._connection.execute(QUERIES["open"], values | {"reference": reference}).fetchone()
            if row is not None:
                break
        else:
            raise RuntimeError("the references are used up")
        answer = Round(1, len(submission.readings), identification, catalogue_revision, row["answered_at"])
        shown = None if review is None or review.second_look else review_of(row)
        opened_at = row["case_opened_at"]
        return Case(submission_id, key_id, reference, row["case_revision"], submission, answer, shown, opened_at)

    def find(self, submission_id: UUID, *, for_update: bool = False) -> Case | None:
        """A submission with its latest answer; `for_update` holds it until the transaction ends."""
        if for_update:
            # Locked by a statement of its own, so that the next one sees what the last holder committed.
            self._connection.execute(QUERIES["hold"], {"id": submission_id})
        row = self._connection.execute(QUERIES["find"], {"id": submission_id}).fetchone()
        if row is None:
            return None
        review = ReviewStore(self._connection).latest_of(submission_id)
        decisions = CaseStore(self._connection).decisions(submission_id)
        case = _case_of(row, review, decisions[-1] if decisions else None)
        return case if row["told_round"] is None else replace(case, told=self._told(case, row["told_round"]))

    def add_round(
        self,
        case: Case,
        added: tuple[Reading, ...],
        submission: Submission,
        identification: Identification,
        catalogue_revision: int,
        *,
        withheld: bool = False,
    ) -> None:
        """Keep more readings and the answer to all of them; raises `StaleRevision` if the case has changed since.

        A `withheld` answer is not shown to the customer: they go on seeing the one they have seen last.
        """
        values = {"id": case.id, "row_revision": case.row_revision} | _head_of(submission, identification)
        values["told_round"] = _told_round(case) if withheld else None
        if self._connection.execute(QUERIES["add_round"], values).fetchone() is None:
            raise StaleRevision
        self._add_answer(case.id, case.latest.number + 1, added, identification, catalogue_revision)

    def answer_again(
        self, case: Case, identification: Identification, catalogue_revision: int, *, withheld: bool
    ) -> int:
        """Keep another answer to the same readings, as a round without new ones; returns its number."""
        values = {"id": case.id, "row_revision": case.row_revision, "state": identification.state.value}
        values["told_round"] = _told_round(case) if withheld else None
        if self._connection.execute(QUERIES["answer_again"], values).fetchone() is None:
            raise StaleRevision
        number = case.latest.number + 1
        self._add_answer(case.id, number, (), identification, catalogue_revision)
        return number

    def let_out(self, submission_id: UUID) -> bool:
        """Show the customer the last answer from now on; False where they see it anyway."""
        return self._connection.execute(QUERIES["let_out"], {"id": submission_id}).fetchone() is not None

    def touch(self, submission_id: UUID) -> None:
        """Count a change that a client can see, made elsewhere, as a new revision of the case."""
        if self._connection.execute(QUERIES["touch"], {"id": submission_id}).fetchone() is None:
            raise NotFound

    def rounds(self, submission_id: UUID) -> tuple[Round, ...]:
        """Every round, first to last; `readings` counts those of all rounds up to it."""
        rounds: list[Round] = []
        for row in self._connection.execute(QUERIES["rounds"], {"id": submission_id}):
            before = rounds[-1].readings if rounds else 0
            rounds.append(_round_of(row, before + row["readings"]))
        return tuple(rounds)

    def _told(self, case: Case, number: int) -> StillShown:
        row = self._connection.execute(QUERIES["told"], {"id": case.id, "round": number}).fetchone()
        if row is None:
            raise RuntimeError("an answer that was told is gone")
        # No reading has been added since: the answer to those would have been shown.
        answer = _round_of(row, case.latest.readings)
        return StillShown(answer, ReviewStore(self._connection).latest_before(case.id, number + 1))

    def _add_answer(
        self,
        submission_id: UUID,
        number: int,
        added: tuple[Reading, ...],
        identification: Identification,
        catalogue_revision: int,
    ) -> None:
        values = {"submission_id": submission_id, "number": number}
        values |= _answer_of(added, identification, catalogue_revision)
        self._connection.execute(QUERIES["add_answer"], values)


def _answer_of(added: tuple[Reading, ...], identification: Identification, catalogue_revision: int) -> dict[str, Any]:
    return {
        "readings": Jsonb(readings_to_stored(added)),
        "state": identification.state.value,
        "answer": Jsonb(identification, answer_to_json),
        "stored_form": STORED_FORM,
        "engine_version": identification.engine_version,
        "catalogue_revision": catalogue_revision,
    }


def _told_round(case: Case) -> int:
    return case.latest.number if case.told is None else case.told.round.number


def _head_of(submission: Submission, identification: Identification) -> dict[str, Any]:
    head = submission_to_stored(submission)
    del head["readings"]
    return {"state": identification.state.value, "ask_person": submission.ask_person, "head": Jsonb(head)}


def _round_of(row: dict[str, Any], readings: int) -> Round:
    identification = answer_from_stored(row["answer"], row["stored_form"])
    return Round(row["number"], readings, identification, row["catalogue_revision"], row["answered_at"])


def _case_of(row: dict[str, Any], review: Review | None, decision: Decision | None) -> Case:
    readings = row["readings"] or []
    submission = submission_from_stored(row["head"] | {"readings": readings}, row["stored_form"])
    return Case(
        id=row["id"],
        key_id=row["key_id"],
        reference=row["reference"],
        row_revision=row["row_revision"],
        submission=submission,
        latest=_round_of(row, len(readings)),
        review=review,
        opened_at=row["opened_at"],
        decision=decision,
        closed_at=row["closed_at"],
        closed_why=None if row["closed_why"] is None else ClosedWhy(row["closed_why"]),
        merged_into=row["merged_into"],
        order_reference=row["order_reference"],
    )

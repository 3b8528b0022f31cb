"""What is on record of cases whose truth came out, in Postgres."""

from __future__ import annotations

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.stored_form import submission_from_stored
from service.domain.identification import AnswerState
from service.domain.review import Outcome
from service.workflows.ports.record import (
    ConfirmedCase,
    ConfirmedPart,
    DecidedCase,
    IdentifiedCases,
    LookedAtTwice,
    NamedClass,
)

QUERIES = Queries("record")


class RecordStore:
    """Satisfies `service.workflows.ports.record.RecordStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def confirmed_answers(self) -> tuple[ConfirmedCase, ...]:
        """The last answer to every case whose truth is known."""
        return tuple(
            ConfirmedCase(
                row["submission_id"],
                row["truth"],
                AnswerState(row["state"]),
                tuple(
                    NamedClass(one["part_number"], tuple(one["same_as"]), one["probability"])
                    for one in row["candidates"]
                ),
            )
            for row in self._connection.execute(QUERIES["confirmed_answers"])
        )

    def identified_cases(self) -> tuple[IdentifiedCases, ...]:
        """Identified cases by part number."""
        return tuple(IdentifiedCases(**row) for row in self._connection.execute(QUERIES["identified_cases"]))

    def confirmed_parts(self) -> tuple[ConfirmedPart, ...]:
        """Every case that turned out to be one of our parts, in the order they were opened."""
        return tuple(
            ConfirmedPart(
                row["id"],
                row["reference"],
                row["truth"],
                submission_from_stored(row["head"] | {"readings": row["readings"] or []}, row["stored_form"]),
            )
            for row in self._connection.execute(QUERIES["confirmed_parts"])
        )

    def decisions_of_confirmed(self) -> tuple[DecidedCase, ...]:
        """What people decided of these cases."""
        return tuple(
            DecidedCase(
                row["submission_id"],
                Outcome(row["outcome"]),
                row["part_number"],
                row["confidence"],
                row["decided_by"],
            )
            for row in self._connection.execute(QUERIES["decisions_of_confirmed"])
        )

    def second_looks(self) -> tuple[LookedAtTwice, ...]:
        """Every second look, with what was said before it."""
        return tuple(
            LookedAtTwice(
                first_by=row["first_by"],
                first_outcome=None if row["first_outcome"] is None else Outcome(row["first_outcome"]),
                first_part=row["first_part"],
                answered_state=AnswerState(row["answered_state"]),
                answered_part=row["answered_part"],
                answered_same_as=tuple(row["answered_same_as"] or ()),
                outcome=Outcome(row["outcome"]),
                part_number=row["part_number"],
            )
            for row in self._connection.execute(QUERIES["second_looks"])
        )

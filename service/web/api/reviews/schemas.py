"""How reviews are asked for, worked on and shown."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import marshmallow as ma

from service.domain.review import Confidence, Outcome, Priority, ReviewReason, ReviewState, Verdict
from service.web.api.submissions.answer_schemas import AnswerToSubmissionSchema
from service.web.blueprint import BodyMayBeLeftOut
from service.web.fields import AnswerSchema, Choice, Moment, Text, Whole, described
from service.web.replies import CURSOR_PATTERN, PageQuery
from service.workflows.cases.queue import Wish
from service.workflows.ports.reviews import ReviewChange

LONGEST_NAME, LONGEST_TEXT = 100, 4000
UUID_PATTERN = "^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$"
PRIORITIES = {priority.name.lower(): priority for priority in Priority}


def some_text(description: str, longest: int = LONGEST_TEXT, **options: Any) -> Text:
    """Text that says something: at least one character that is no space."""
    return Text(
        shortest=1,
        longest=longest,
        pattern=r"^[^\u0000]*[^\s\u0000][^\u0000]*$",
        refusal="Must say something, and hold no NUL character.",
        metadata=described(description),
        **options,
    )


def who_is_at_the_key() -> Text:
    """The member of a body that says who is at the key."""
    description = (
        "Who is at the key, where several share it; the key's name otherwise. What one has claimed the others can "
        "neither decide nor give back."
    )
    return some_text(description, LONGEST_NAME)


class ReviewQuerySchema(PageQuery):
    """Which reviews."""

    state = Choice(ReviewState, load_default=None, metadata=described("Only those in this state."))


class ClaimSchema(BodyMayBeLeftOut):
    """What somebody asks the queue for; without a body, the next review there is."""

    person = who_is_at_the_key()
    skills = ma.fields.List(
        some_text("Code of a core.", 50),
        validate=ma.validate.Length(1, 50),
        metadata=described("Cores this person knows: only reviews about one of them, or about none."),
    )
    review_id = Text(
        longest=36, pattern=UUID_PATTERN, refusal="Must be the id of a review.", metadata=described("This one.")
    )
    lease_seconds = Whole(
        least=1, most=86_400, metadata=described("How long the claim holds without activity, if not as is usual here.")
    )

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Wish:
        """The wish."""
        skills, review_id = data.get("skills"), data.get("review_id")
        return Wish(
            data.get("person"),
            None if skills is None else tuple(skills),
            None if review_id is None else UUID(review_id),
            data.get("lease_seconds"),
        )


class ReleaseSchema(ma.Schema):
    """Why a review is given back."""

    person = who_is_at_the_key()
    reason = some_text("Why; kept as a note of the case.", required=True)


class ReviewNoteSchema(ma.Schema):
    """What is to be written down."""

    person = who_is_at_the_key()
    text = some_text("For the desk alone.", required=True)


class DecisionSchema(ma.Schema):
    """What a person found; `part_number` exactly when the outcome is a part."""

    person = who_is_at_the_key()
    outcome = Choice(Outcome, required=True)
    part_number = some_text("A number of the active catalogue that nothing supersedes.", 100, allow_none=True)
    confidence = Choice(Confidence, required=True, metadata=described("A guess is looked at a second time."))
    reason = some_text("What it rests on; for the desk alone.", required=True)

    @ma.validates_schema
    def names_a_part_or_not(self, data: dict[str, Any], **_: Any) -> None:
        """Refuse a part without a number, and a number without a part."""
        named = data.get("part_number") is not None
        if named != (data["outcome"] is Outcome.PART):
            detail = "Say which part." if not named else "Only the outcome `part` has a part number."
            raise ma.ValidationError(detail, "part_number")

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> tuple[Verdict, str | None]:
        """The verdict, and who is at the key."""
        verdict = Verdict(data["outcome"], data.get("part_number"), data["confidence"], data["reason"])
        return verdict, data.get("person")


class ReviewChangeSchema(ma.Schema):
    """What to set of a review; what is left out stays as it is."""

    person = who_is_at_the_key()
    priority = ma.fields.String(validate=ma.validate.OneOf(list(PRIORITIES)))
    due_at = Moment(metadata=described("When an answer is owed."))
    assigned_to = some_text("Who alone may claim it; null for anybody.", LONGEST_NAME, allow_none=True)

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> tuple[ReviewChange, str | None]:
        """The change, and who is at the key."""
        priority = data.get("priority")
        change = ReviewChange(
            priority=None if priority is None else PRIORITIES[priority],
            due_at=data.get("due_at"),
            assign="assigned_to" in data,
            assigned_to=data.get("assigned_to"),
        )
        return change, data.get("person")


class ClaimOnReviewSchema(AnswerSchema):
    """Who has a review in hand, and until when."""

    by = ma.fields.String(required=True)
    at = ma.fields.DateTime(required=True)
    until = ma.fields.DateTime(required=True, metadata=described("Then it is back in the queue, without activity."))
    lease_seconds = ma.fields.Integer(required=True)


class ReviewSchema(AnswerSchema):
    """A case put before a person."""

    id = ma.fields.UUID(required=True)
    submission_id = ma.fields.UUID(required=True)
    reference = ma.fields.String(required=True, metadata=described("The case's, as it is read aloud."))
    source = ma.fields.String(required=True)
    state = Choice(ReviewState, required=True)
    reason = Choice(ReviewReason, required=True)
    second_look = ma.fields.Boolean(required=True)
    priority = ma.fields.String(required=True, validate=ma.validate.OneOf(list(PRIORITIES)))
    skill = ma.fields.String(required=True, allow_none=True, metadata=described("The core it is about."))
    opened_at = ma.fields.DateTime(required=True)
    due_at = ma.fields.DateTime(required=True)
    assigned_to = ma.fields.String(required=True, allow_none=True)
    settled_at = ma.fields.DateTime(required=True, allow_none=True)
    claim = ma.fields.Nested(ClaimOnReviewSchema(), required=True, allow_none=True)


class KeptDecisionSchema(AnswerSchema):
    """A decision on the record."""

    id = ma.fields.UUID(required=True)
    review_id = ma.fields.UUID(
        required=True, allow_none=True, metadata=described("Null where an answer was overruled in mid-call.")
    )
    second_look = ma.fields.Boolean(required=True)
    round = ma.fields.Integer(required=True, metadata=described("The answer that was seen."))
    outcome = Choice(Outcome, required=True)
    part_number = ma.fields.String(required=True, allow_none=True)
    confidence = Choice(Confidence, required=True)
    reason = ma.fields.String(required=True)
    catalogue_revision = ma.fields.Integer(required=True)
    by = ma.fields.String(required=True)
    at = ma.fields.DateTime(required=True)


class DecidedReviewSchema(ReviewSchema):
    """A review and the decision that has ended it."""

    decision = ma.fields.Nested(KeptDecisionSchema(), required=True)


class NoteSchema(AnswerSchema):
    """Something written down about a case."""

    id = ma.fields.UUID(required=True)
    text = ma.fields.String(required=True)
    by = ma.fields.String(required=True)
    at = ma.fields.DateTime(required=True)


class ReviewPageSchema(AnswerSchema):
    """One page of reviews, first opened first."""

    items = ma.fields.List(ma.fields.Nested(ReviewSchema()), required=True)
    next_cursor = ma.fields.String(
        required=True,
        allow_none=True,
        validate=ma.validate.Regexp(CURSOR_PATTERN),
        metadata=described("Where the next page begins; null at the end."),
    )


class AgeBandSchema(AnswerSchema):
    """How many were opened so long ago."""

    from_seconds = ma.fields.Float(required=True)
    to_seconds = ma.fields.Float(required=True, allow_none=True)
    reviews = ma.fields.Integer(required=True)


class StateCountSchema(AnswerSchema):
    """How many reviews are in one state."""

    state = Choice(ReviewState, required=True)
    reviews = ma.fields.Integer(required=True)
    overdue = ma.fields.Integer(required=True)
    oldest_opened_at = ma.fields.DateTime(required=True, allow_none=True)
    by_age = ma.fields.List(ma.fields.Nested(AgeBandSchema()), required=True)


class QueueCountsSchema(AnswerSchema):
    """The queue in numbers."""

    states = ma.fields.List(ma.fields.Nested(StateCountSchema()), required=True)


class FoundCaseSchema(AnswerSchema):
    """A case as a list shows it."""

    id = ma.fields.UUID(required=True)
    reference = ma.fields.String(required=True)
    source = ma.fields.String(required=True)
    state = ma.fields.String(required=True)
    contact = ma.fields.Dict(required=True, metadata=described("Name, e-mail address and telephone number."))
    leading_part = ma.fields.String(required=True, allow_none=True, metadata=described("What the readings point to."))
    decided_part = ma.fields.String(required=True, allow_none=True, metadata=described("What a person decided."))
    opened_at = ma.fields.DateTime(required=True)
    changed_at = ma.fields.DateTime(required=True)
    closed_at = ma.fields.DateTime(required=True, allow_none=True)
    closed_why = ma.fields.String(required=True, allow_none=True)


class LookAlikeOfSchema(AnswerSchema):
    """Two parts that a caliper cannot tell apart, and what can."""

    part_number = ma.fields.String(required=True)
    other = ma.fields.String(required=True)
    separated_by = ma.fields.String(required=True)


class ReviewSheetSchema(ReviewSchema):
    """Everything the reviewer goes by."""

    submission = ma.fields.Nested(
        AnswerToSubmissionSchema(),
        required=True,
        metadata=described("The readings, the answer with its evidence, and what to ask for (`next_reading`)."),
    )
    chart = ma.fields.String(required=True, metadata=described("Where the readings are drawn."))
    rounds = ma.fields.Integer(required=True)
    history = ma.fields.List(
        ma.fields.Nested(FoundCaseSchema()), required=True, metadata=described("The same customer's other cases.")
    )
    look_alikes = ma.fields.List(ma.fields.Nested(LookAlikeOfSchema()), required=True)
    decisions = ma.fields.List(ma.fields.Nested(KeptDecisionSchema()), required=True)
    notes = ma.fields.List(ma.fields.Nested(NoteSchema()), required=True)

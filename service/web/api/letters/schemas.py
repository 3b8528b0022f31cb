"""How a letter is asked for, and how one that was issued looks."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.outbox import Channel, MessageState, Topic
from service.web.api.reviews.schemas import LONGEST_NAME, some_text
from service.web.fields import AnswerSchema, Choice, Flag, Text
from service.workflows.ports.sending import KeptLetter, Message
from service.workflows.sending.letters import Post

_EMAIL = (
    r"^[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9](?:[A-Za-z0-9-]{0,61}[A-Za-z0-9])?(?:\.[A-Za-z0-9]{1,20})*$"
)


class IssueSchema(ma.Schema):
    """How the letter is to travel; the stores' webhooks hear of it in any case."""

    email = Flag(load_default=False, metadata={"description": "Mail it to the case's contact, or to `to`."})
    to = Text(
        longest=254,
        pattern=_EMAIL,
        refusal="Must be an e-mail address that mail can be sent to.",
        metadata={"description": "Mail it to this address instead."},
    )

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Post:
        """How it travels."""
        return Post(email=data["email"] or "to" in data, to=data.get("to"))


class LetterRequestSchema(IssueSchema):
    """The same, and who writes the letter."""

    person = some_text("Who writes it, where several share the key; the key's name otherwise.", LONGEST_NAME)

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> tuple[Post, str | None]:
        """How it travels, and who writes it."""
        return super().make(data), data.get("person")


class MessageSchema(AnswerSchema):
    """A message in the outbox."""

    id = ma.fields.UUID(required=True, metadata={"description": "Its webhook-id, or the first half of its Message-ID."})
    channel = Choice(Channel, required=True)
    topic = Choice(Topic, required=True)
    submission_id = ma.fields.UUID(required=True, allow_none=True)
    letter_id = ma.fields.UUID(required=True, allow_none=True)
    endpoint_id = ma.fields.UUID(required=True, allow_none=True)
    recipient = ma.fields.String(required=True, allow_none=True)
    state = Choice(
        MessageState,
        required=True,
        metadata={"description": "`sent`: the other side has acknowledged it; `dead`: given up, replay it by hand."},
    )
    attempts = ma.fields.Integer(required=True)
    due_at = ma.fields.DateTime(required=True)
    made_at = ma.fields.DateTime(required=True)
    settled_at = ma.fields.DateTime(required=True, allow_none=True)
    last_error = ma.fields.String(required=True, allow_none=True)


class LetterSchema(AnswerSchema):
    """A letter as it was issued."""

    id = ma.fields.UUID(required=True)
    submission_id = ma.fields.UUID(required=True)
    mail_in_id = ma.fields.UUID(required=True, allow_none=True)
    round = ma.fields.Integer(required=True, metadata={"description": "The round whose answer it gives."})
    subject = ma.fields.String(required=True)
    issued_by = ma.fields.String(required=True)
    issued_at = ma.fields.DateTime(required=True)
    forms = ma.fields.Dict(
        keys=ma.fields.String(),
        values=ma.fields.String(),
        required=True,
        metadata={"description": "Where it is as `html`, `txt` and `pdf`."},
    )
    messages = ma.fields.List(ma.fields.Nested(MessageSchema()), required=True)


class LettersSchema(AnswerSchema):
    """The letters of a submission, newest first; the last fifty."""

    items = ma.fields.List(ma.fields.Nested(LetterSchema()), required=True)


def message_json(message: Message) -> dict[str, Any]:
    """A message as JSON."""
    return {
        "id": str(message.id),
        "channel": message.channel.value,
        "topic": message.topic.value,
        "submission_id": _text(message.submission_id),
        "letter_id": _text(message.letter_id),
        "endpoint_id": _text(message.endpoint_id),
        "recipient": message.recipient,
        "state": message.state.value,
        "attempts": message.attempts,
        "due_at": message.due_at.isoformat(),
        "made_at": message.made_at.isoformat(),
        "settled_at": None if message.settled_at is None else message.settled_at.isoformat(),
        "last_error": message.last_error,
    }


def letter_json(letter: KeptLetter, messages: tuple[Message, ...]) -> dict[str, Any]:
    """A letter as JSON."""
    return {
        "id": str(letter.id),
        "submission_id": str(letter.submission_id),
        "mail_in_id": _text(letter.mail_in_id),
        "round": letter.round,
        "subject": letter.subject,
        "issued_by": letter.issued_by,
        "issued_at": letter.issued_at.isoformat(),
        "forms": {form: f"/v1/letters/{letter.id}/letter.{form}" for form in ("html", "txt", "pdf")},
        "messages": [message_json(message) for message in messages],
    }


def _text(value: object) -> str | None:
    return None if value is None else str(value)

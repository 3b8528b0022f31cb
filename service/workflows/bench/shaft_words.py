"""A posted shaft in words: its reference, and what a letter tells of its stay."""

from __future__ import annotations

from datetime import datetime

from service.domain.mail_in import EventKind
from service.domain.reference import spoken
from service.workflows.ports.mail_ins import MailIn


def code_of(mail_in: MailIn) -> str:
    """A shaft's reference as it is scanned: `M48291573`; the letter tells it from a case's."""
    return f"M{mail_in.reference}"


def spoken_code(mail_in: MailIn) -> str:
    """A shaft's reference as it is written for people: `M 4829 1573`."""
    return f"M {spoken(mail_in.reference)}"


def shaft_lines(mail_in: MailIn) -> tuple[str, ...]:
    """What a letter tells of a shaft's stay, line by line; nothing that was noted for the house."""
    lines = [f"We know your shaft as {spoken_code(mail_in)}."]
    measured = [event for event in mail_in.events if event.kind is EventKind.MEASURED]
    for event in mail_in.events:
        if event.kind is EventKind.RECEIVED:
            looked = ", ".join(each.value.replace("_", " ") for each in event.condition)
            lines.append(f"It reached us on {_day(event.at)}{f' and looked: {looked}' if looked else ''}.")
    if measured:
        lines.append(f"We measured it on {_day(measured[-1].at)}.")
    return tuple(lines)


def _day(at: datetime) -> str:
    return f"{at.day} {at:%B %Y}"

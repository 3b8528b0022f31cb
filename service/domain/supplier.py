"""The supplier whose desk this is, as it signs its letters: name, address and wording."""

from __future__ import annotations

from dataclasses import dataclass

DEFAULT_NAME = "The tech desk"
DEFAULT_OPENING = "Thank you for asking us which camshaft you have. This is what we found."
DEFAULT_CLOSING = "If anything here does not agree with what you have in your hands, tell us before you use it."

DEFAULT_PRIVACY_NOTICE = (
    "Leave a name, an e-mail address or a telephone number only if you want an answer sent to you. The desk uses them "
    "for that alone, shows them to nobody else, and forgets them after a time. Ask us, and we send you what is kept of "
    "you, or erase it."
)
DEFAULT_PRIVACY_NOTICE_DE = (
    "Geben Sie Name, E-Mail-Adresse oder Telefonnummer nur an, wenn Sie eine Antwort bekommen möchten. Wir "
    "verwenden sie nur dafür, zeigen sie niemandem sonst und vergessen sie nach einiger Zeit. Auf Ihre Bitte "
    "schicken wir Ihnen, was wir von Ihnen aufbewahren, oder löschen es."
)


@dataclass(frozen=True)
class Supplier:
    """Name, address, line by line, and wording. Shafts are posted to `shafts_to`, or to the address where it is empty.

    `opening` and `closing` are the supplier's own words before and after what the letter has to say.
    """

    name: str = DEFAULT_NAME
    address: tuple[str, ...] = ()
    email: str | None = None
    phone: str | None = None
    shafts_to: tuple[str, ...] = ()
    opening: str = DEFAULT_OPENING
    closing: str = DEFAULT_CLOSING

    @property
    def receiving(self) -> tuple[str, ...]:
        """Where a shaft is to be posted."""
        return self.shafts_to or self.address


def lines_of(text: str | None) -> tuple[str, ...]:
    """The lines of an address: what stands between semicolons or line breaks."""
    return tuple(line.strip() for line in (text or "").replace("\n", ";").split(";") if line.strip())

"""Mail, handed to an SMTP server. Nothing here decides whether or when to send."""

from __future__ import annotations

import smtplib
import ssl
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from typing import Any
from urllib.parse import unquote, urlsplit

from service.domain.outbox import NotDelivered, can_be_written_to
from service.spans import Kind, span
from service.workflows.ports.sending import Mail

TIMEOUT_S = 10.0
_PORTS = {"smtp": 25, "smtp+starttls": 587, "smtps": 465}


@dataclass(frozen=True)
class MailServer:
    """An SMTP server: `smtp://` in the clear, `smtp+starttls://` turned to TLS before anything is said, `smtps://` TLS
    from the start. `sender` is the address mail comes from, `name` whose it is, `reply_to` where answers go. `trusted`
    says whom TLS trusts; None is whom this machine does.
    """

    url: str
    sender: str
    name: str
    reply_to: str | None = None
    timeout_s: float = TIMEOUT_S
    trusted: ssl.SSLContext | None = None

    def send(self, mail: Mail) -> None:
        """Hand the mail over; raises `NotDelivered` unless the server has said that it took it.

        The same mail has the same Message-ID each time, so that one handed over twice can be told by it.
        """
        with span("smtp", Kind.CLIENT):
            self._send(mail)

    def _send(self, mail: Mail) -> None:
        message = self.message_of(mail)
        try:
            session = self._session()
        except smtplib.SMTPException as error:
            # The server, or what we told it of ourselves, is at fault, not this mail: try again.
            raise NotDelivered(_said(error)) from error
        except OSError as error:
            raise NotDelivered(f"The mail server cannot be reached: {error}") from error
        try:
            # Not send_message: it writes ">From" where a line begins with "From".
            session.sendmail(self.sender, [mail.to], message.as_bytes())
        except smtplib.SMTPRecipientsRefused as error:
            code, said = next(iter(error.recipients.values()))
            raise NotDelivered(f"{code} {_text(said)}", for_good=code >= 500) from error
        except smtplib.SMTPDataError as error:
            raise NotDelivered(_said(error), for_good=error.smtp_code >= 500) from error
        except smtplib.SMTPException as error:
            raise NotDelivered(_said(error)) from error
        except OSError as error:
            raise NotDelivered(f"The mail server broke off: {error}") from error
        finally:
            _part(session)

    def message_of(self, mail: Mail) -> EmailMessage:
        """The mail as it travels; raises `NotDelivered` for an address that no server would make sense of."""
        if not can_be_written_to(mail.to):
            raise NotDelivered("No mail can be sent to such an address.", for_good=True)
        message = EmailMessage(policy=SMTP)
        message["Message-ID"] = f"<{mail.id}@{self.sender.rpartition('@')[2]}>"
        message["Date"] = mail.made_at
        message["From"] = Address(self.name, addr_spec=self.sender)
        message["To"] = Address(mail.to_name or "", addr_spec=mail.to)
        if self.reply_to:
            message["Reply-To"] = Address(self.name, addr_spec=self.reply_to)
        message["Subject"] = mail.subject
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office reply, please
        message.set_content(mail.text)
        message.add_alternative(mail.html, subtype="html")
        if mail.pdf is not None:
            message.add_attachment(mail.pdf, maintype="application", subtype="pdf", filename=mail.pdf_name)
        return message

    def _trusted(self) -> ssl.SSLContext:
        return self.trusted or ssl.create_default_context()

    def _session(self) -> smtplib.SMTP:
        parts = urlsplit(self.url)
        host, port = parts.hostname or "localhost", parts.port or _PORTS[parts.scheme]
        session: smtplib.SMTP
        if parts.scheme == "smtps":
            session = smtplib.SMTP_SSL(host, port, timeout=self.timeout_s, context=self._trusted())
        else:
            session = smtplib.SMTP(host, port, timeout=self.timeout_s)
        try:
            if parts.scheme == "smtp+starttls":
                session.starttls(context=self._trusted())
            if parts.username is not None:
                session.login(unquote(parts.username), unquote(parts.password or ""))
        except BaseException:
            session.close()
            raise
        return session


def _part(session: smtplib.SMTP) -> None:
    """End a session; whatever goes wrong now changes nothing about what was sent."""
    try:
        session.quit()
    except (smtplib.SMTPException, OSError):
        session.close()


def _said(error: smtplib.SMTPException) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        return f"{error.smtp_code} {_text(error.smtp_error)}"
    return str(error) or type(error).__name__


def _text(said: Any) -> str:
    text = said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)
    return " ".join(text.split())

"""Mail and webhooks over TLS, against servers with a certificate of the test's own authority."""

from __future__ import annotations

import ssl

import pytest
import trustme

from service.adapters.mail import MailServer
from service.adapters.postgres.pool import PostgresStores
from service.adapters.webhooks import WebhookPost
from service.workflows.sending.deliver import Outcome, deliver
from tests.integration.posting import Sending, only_hooks, only_mail, start_sending
from tests.integration.receivers import HookReceiver, MailBox, hook_receiver, mail_server

SENDER = "desk@thrumbleby.example"
DAY_S = 86_400.0


@pytest.fixture
def sending(stores: PostgresStores, database_url: str) -> Sending:
    return start_sending(stores, database_url)


def gone(outcome: Outcome | None) -> bool:
    """Whether the other side took it; if not, it has to be tried again."""
    assert outcome is not None
    assert outcome.error is None or outcome.again
    return outcome.error is None


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


def server_side(authority: trustme.CA, name: str = "localhost") -> ssl.SSLContext:
    """What a server of that name shows."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert(name).configure_cert(context)
    return context


def trusting(authority: trustme.CA) -> ssl.SSLContext:
    """As this machine trusts, and this authority as well."""
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


@pytest.mark.parametrize("from_the_start", [False, True], ids=["STARTTLS", "TLS from the start"])
def test_mail_goes_over_tls_to_a_server_whose_authority_is_trusted_and_to_no_other(
    sending: Sending, authority: trustme.CA, from_the_start: bool
) -> None:
    message = sending.mail()
    with mail_server(MailBox(), server_side(authority), from_the_start=from_the_start) as box:
        strange = MailServer(box.url, SENDER, "Thrumbleby Cam Works")
        assert not gone(deliver(sending.stores, only_mail(strange), message))
        assert "CERTIFICATE_VERIFY_FAILED" in sending.row(message)["last_error"]
        assert box.taken == []

        sending.pass_time(DAY_S)
        trusted = MailServer(box.url, SENDER, "Thrumbleby Cam Works", trusted=trusting(authority))
        assert gone(deliver(sending.stores, only_mail(trusted), message))
        assert box.recipients == ["caller@shop.example"]


@pytest.mark.parametrize("from_the_start", [False, True], ids=["STARTTLS", "TLS from the start"])
def test_mail_goes_to_no_server_that_shows_another_s_name(
    sending: Sending, authority: trustme.CA, from_the_start: bool
) -> None:
    message = sending.mail()
    tls = server_side(authority, "somebody-else.example")
    with mail_server(MailBox(), tls, from_the_start=from_the_start) as box:
        trusted = MailServer(box.url, SENDER, "Thrumbleby Cam Works", trusted=trusting(authority))
        assert not gone(deliver(sending.stores, only_mail(trusted), message))
        assert "Hostname mismatch" in sending.row(message)["last_error"]
        assert box.taken == []


def test_mail_is_not_sent_in_the_clear_where_the_server_knows_no_tls(sending: Sending) -> None:
    message = sending.mail()
    with mail_server(MailBox()) as box:
        in_the_clear = box.url.replace("smtp://", "smtp+starttls://")
        server = MailServer(in_the_clear, SENDER, "Thrumbleby Cam Works")
        assert not gone(deliver(sending.stores, only_mail(server), message))
        assert box.taken == []


def test_a_webhook_goes_over_https_to_a_receiver_whose_authority_is_trusted_and_to_no_other(
    sending: Sending, authority: trustme.CA
) -> None:
    with hook_receiver(HookReceiver(), server_side(authority)) as receiver:
        endpoint_id, _ = sending.endpoint(receiver.url)
        message = sending.hook(endpoint_id)
        assert not gone(deliver(sending.stores, only_hooks(WebhookPost(private=True)), message))
        assert "CERTIFICATE_VERIFY_FAILED" in sending.row(message)["last_error"]
        assert receiver.got == []

        sending.pass_time(DAY_S)
        post = WebhookPost(private=True, trusted=trusting(authority))
        assert gone(deliver(sending.stores, only_hooks(post), message))
        assert receiver.ids() == [str(message)]


def test_a_webhook_goes_to_no_receiver_that_shows_another_s_name(sending: Sending, authority: trustme.CA) -> None:
    with hook_receiver(HookReceiver(), server_side(authority, "somebody-else.example")) as receiver:
        endpoint_id, _ = sending.endpoint(receiver.url)
        message = sending.hook(endpoint_id)
        post = WebhookPost(private=True, trusted=trusting(authority))
        assert not gone(deliver(sending.stores, only_hooks(post), message))
        assert "Hostname mismatch" in sending.row(message)["last_error"]
        assert receiver.got == []

"""Traces: what a request and a job are made of, what is never in them, and that nothing waits for who takes them."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import pytest
import structlog
from flask import Flask, Response

from service import spans
from service.adapters.jobs import run_worker
from service.adapters.mail import MailServer
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.adapters.tracing import close_tracing, open_tracing, trace_to
from service.adapters.webhooks import WebhookPost
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.domain.access import Role
from service.domain.outbox import NotDelivered
from service.identification.watch import EVIDENCE, EXACT, NEXT_READING, OF_POSTERIOR, POSTERIOR
from service.serving.worker import deliveries_of
from service.settings import Settings, tracing_is_wanted
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key
from service.workflows.ports.sending import Mail
from service.workflows.sending.deliver import Carriers
from tests.api.conftest import FIXTURES, PLENTY, SAMPLE, Caller, as_url
from tests.integration.receivers import (
    HookReceiver,
    MailBox,
    closed_port,
    hook_receiver,
    mail_server,
    silent_server,
)

sdk = pytest.importorskip("opentelemetry.sdk.trace.export", reason="the extra `tracing` is not installed")
in_memory = pytest.importorskip("opentelemetry.sdk.trace.export.in_memory_span_exporter")

TRACE_ID, SPAN_ID = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
TRACEPARENT = f"00-{TRACE_ID}-{SPAN_ID}-01"
"""The example of W3C Trace Context, section 3.2.3."""

NOW = datetime.now(UTC)
PRIVATE: dict[str, Any] = {
    "contact": {"name": "Quirinus Vexley", "email": "quirinus@vexley.example"},
    "note": "it squeaks in the rain",
    "markings": [{"place": "between_lobes", "text": "QX77"}],
}


class Seen:
    """What was traced."""

    def __init__(self, exporter: Any) -> None:
        self._exporter = exporter

    @property
    def all(self) -> list[Any]:
        return list(self._exporter.get_finished_spans())

    def one(self, name: str) -> Any:
        (found,) = [each for each in self.all if each.name == name]
        return found

    def above(self, span: Any) -> list[str]:
        """The names of the spans a span lies in, innermost first."""
        by_id = {each.context.span_id: each for each in self.all}
        names = []
        while span.parent is not None and span.parent.span_id in by_id:
            span = by_id[span.parent.span_id]
            names.append(span.name)
        return names

    def under(self, span: Any) -> set[str]:
        return {each.name for each in self.all if span.name in self.above(each)}

    def clear(self) -> None:
        self._exporter.clear()


@pytest.fixture
def seen() -> Iterator[Seen]:
    exporter = in_memory.InMemorySpanExporter()
    trace_to(sdk.SimpleSpanProcessor(exporter))
    yield Seen(exporter)
    close_tracing()


@pytest.fixture
def settings(database_url: str, redis_url: str) -> Settings:
    with open_pool(database_url) as pool:
        catalogue = read_json((FIXTURES / "catalogue.json").read_bytes())
        import_catalogue(PostgresStores(pool), catalogue, who="tests", why="invented")
    return Settings(database_url=as_url(database_url), redis_url=redis_url, rate_widget=PLENTY, rate_staff=PLENTY)


@pytest.fixture
def app(seen: Seen, settings: Settings) -> Iterator[Flask]:
    app = create_app(settings)
    yield app
    close_app(app)


@pytest.fixture
def as_role(app: Flask) -> Callable[[Role], Caller]:
    return lambda role: Caller(app, create_key(app.extensions[EXTENSION].desk.stores, role, f"the {role}"))


def test_a_request_is_one_trace_from_the_key_to_the_answer(as_role: Callable[[Role], Caller], seen: Seen) -> None:
    desk = as_role(Role.DESK)
    seen.clear()
    desk.submit(SAMPLE, traceparent=TRACEPARENT, Idempotency_Key="traced")

    request = seen.one("POST /v1/submissions")
    assert (f"{request.context.trace_id:032x}", f"{request.parent.span_id:016x}") == (TRACE_ID, SPAN_ID)
    assert request.kind.name == "SERVER"
    assert request.attributes["http.response.status_code"] == 201
    within = seen.under(request)
    assert within >= {"validation", "keys.find", "redis rate", "identification", "engine", "transaction"}
    assert within >= {"idempotency.claim", "submissions.open", "idempotency.keep"}
    assert within >= {"redis answer.get", "redis answer.put"}
    assert seen.above(seen.one("submissions.open")) == ["transaction", "POST /v1/submissions"]
    # worked out in no transaction
    assert seen.above(seen.one("engine")) == ["identification", "POST /v1/submissions"]
    # and step by step
    assert seen.under(seen.one("engine")) == {POSTERIOR, *OF_POSTERIOR, NEXT_READING, EVIDENCE}
    assert seen.above(seen.one(EXACT)) == [POSTERIOR, "engine", "identification", "POST /v1/submissions"]
    found = seen.one("identification").attributes
    assert (found["lobedesk.state"], found["lobedesk.from_cache"]) == ("identified", False)
    assert {span.context.trace_id for span in seen.all if span.name in within} == {request.context.trace_id}


@pytest.mark.parametrize("ask_person", [False, True])
def test_a_case_and_its_review_are_written_by_one_statement(
    as_role: Callable[[Role], Caller], seen: Seen, *, ask_person: bool
) -> None:
    """One statement is one transaction to Postgres; two without `BEGIN` could be half done."""
    desk = as_role(Role.DESK)
    desk.submit(SAMPLE)
    seen.clear()
    opened = desk.submit(SAMPLE | {"ask_person": ask_person})

    assert [span.name for span in seen.all if span.attributes.get("db.system.name") == "postgresql"] == [
        "keys.find",
        "submissions.open",
    ]
    assert (opened["review"] is not None) is ask_person
    found = desk.get(f"/v1/submissions/{opened['id']}")
    assert found.get_json() == opened


def test_a_transaction_begun_again_with_the_answer_at_hand_is_no_failure(
    as_role: Callable[[Role], Caller], seen: Seen
) -> None:
    desk = as_role(Role.DESK)
    path = f"/v1/submissions/{desk.submit(SAMPLE)['id']}/readings"
    seen.clear()
    desk.post(path, {"readings": SAMPLE["readings"][:1]})

    transactions = [span for span in seen.all if span.name == "transaction"]
    assert len(transactions) >= 2
    assert {span.status.status_code.name for span in transactions} == {"UNSET"}


def test_an_answer_out_of_the_cache_is_seen_to_be_one(as_role: Callable[[Role], Caller], seen: Seen) -> None:
    desk = as_role(Role.DESK)
    desk.submit(SAMPLE)
    seen.clear()
    desk.submit(SAMPLE)

    assert seen.one("identification").attributes["lobedesk.from_cache"] is True
    assert not [span for span in seen.all if span.name == "engine"]


def test_nothing_that_a_caller_wrote_and_no_key_is_in_a_trace(
    app: Flask, as_role: Callable[[Role], Caller], seen: Seen
) -> None:
    desk = as_role(Role.DESK)
    answer = desk.submit(SAMPLE | PRIVATE)
    link = desk.post(f"/v1/submissions/{answer['id']}/links").get_json()["path"]
    desk.get(link)
    desk.get("/v1/cases?email=quirinus@vexley.example")
    desk.post("/v1/submissions", SAMPLE | PRIVATE | {"note": {"not": "it squeaks in the rain"}})
    traced = "\n".join(span.to_json() for span in seen.all)

    secrets = ["quirinus", "vexley", "squeaks", "qx77", link.rpartition("/")[2], answer["reference"]]
    secrets += [desk._headers["Authorization"].removeprefix("Bearer "), SAMPLE["readings"][0]["values"][0]]
    assert [secret for secret in secrets if secret.lower() in traced.lower()] == []


def test_the_trace_is_named_in_every_line_of_the_log_and_in_a_problem(
    app: Flask, as_role: Callable[[Role], Caller], seen: Seen
) -> None:
    in_every_line: list[dict[str, Any]] = []

    @app.after_request
    def look(response: Response) -> Response:
        in_every_line.append(dict(structlog.contextvars.get_contextvars()))
        return response

    refused = as_role(Role.DESK).post("/v1/submissions", {}, traceparent=TRACEPARENT)

    assert refused.get_json()["trace_id"] == TRACE_ID
    assert [line["trace_id"] for line in in_every_line] == [TRACE_ID]


def test_what_fails_is_seen_to_have_failed_without_the_words_of_the_exception(settings: Settings, seen: Seen) -> None:
    with (
        open_pool(settings.database_url or "") as pool,
        spans.span("something"),
        pytest.raises(Exception, match="quirinus"),
        PostgresStores(pool).transaction() as transaction,
    ):
        transaction.connection.execute("SELECT 'quirinus'::int")

    for name in ("transaction", "SELECT"):
        failed = seen.one(name)
        assert failed.status.status_code.name == "ERROR"
        assert failed.attributes["error.type"] == "InvalidTextRepresentation"
        assert "quirinus" not in failed.to_json()


def test_what_no_request_and_no_job_asks_of_the_database_is_no_trace(settings: Settings, seen: Seen) -> None:
    with open_pool(settings.database_url or "") as pool, PostgresStores(pool).transaction() as transaction:
        transaction.catalogue.active_revision()

    assert seen.all == []


def test_a_job_s_trace_is_linked_to_the_request_that_made_it(
    settings: Settings, as_role: Callable[[Role], Caller], app: Flask, seen: Seen
) -> None:
    admin, desk = as_role(Role.ADMIN), as_role(Role.DESK)
    stores = app.extensions[EXTENSION].desk.stores
    with hook_receiver(HookReceiver()) as receiver:
        admin.post("/v1/webhooks", {"url": "https://orders.example/hook", "topics": ["case.ordered"]})
        with stores.transaction() as transaction:
            transaction.connection.execute("UPDATE webhook_endpoints SET url = %s", [receiver.url])
        case = desk.submit(SAMPLE)
        ordered = desk.post(f"/v1/cases/{case['id']}/order", {"order_reference": "SO-1"})
        assert ordered.status_code == 200, ordered.get_data(as_text=True)
        requests = {span.name: span for span in seen.all if span.kind.name == "SERVER"}
        run_worker(
            settings.database_url or "",
            lambda: 0,
            deliveries_of(stores, Carriers(None, WebhookPost(private=True))),
            until_idle=True,
        )
        assert len(receiver.got) == 1

    posted = seen.one("webhook")
    assert posted.attributes["http.response.status_code"] == 200
    (job,) = [span for span in seen.all if span.name == "job deliver_message" and "webhook" in seen.under(span)]
    order = requests["POST /v1/cases/<uuid:submission_id>/order"]
    assert [link.context.trace_id for link in job.links] == [order.context.trace_id]
    assert (job.kind.name, job.parent) == ("CONSUMER", None)
    assert job.context.trace_id != order.context.trace_id
    assert seen.under(job) >= {"outbox.take", "webhook", "outbox.sent"}
    assert "traceparent" not in receiver.got[0].headers  # a stranger's business least of all


def test_a_mail_is_a_span_that_names_nobody(seen: Seen) -> None:
    with mail_server(MailBox()) as box:
        for url in (box.url, f"smtp://127.0.0.1:{closed_port()}"):
            server = MailServer(url, "desk@thrumbleby.example", "Thrumbleby Cam Works")
            mail = Mail(uuid4(), "quirinus@vexley.example", "Q. Vexley", "Your shaft", "text", "<p>", NOW)
            with spans.span("job"), suppress(NotDelivered):
                server.send(mail)

    sent, failed = [span for span in seen.all if span.name == "smtp"]
    assert (sent.kind.name, sent.status.status_code.name) == ("CLIENT", "UNSET")
    assert failed.attributes["error.type"] == "NotDelivered"
    assert not [span for span in seen.all if "exley" in span.to_json()]


# -- where traces go ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("said", "wanted"),
    [
        ({}, False),
        ({"OTEL_EXPORTER_OTLP_ENDPOINT": "http://collector:4318"}, True),
        ({"OTEL_EXPORTER_OTLP_TRACES_ENDPOINT": "http://collector:4318/v1/traces"}, True),
        ({"OTEL_TRACES_EXPORTER": "otlp"}, True),
        ({"OTEL_EXPORTER_OTLP_ENDPOINT": "http://collector:4318", "OTEL_TRACES_EXPORTER": "none"}, False),
        ({"OTEL_EXPORTER_OTLP_ENDPOINT": "http://collector:4318", "OTEL_SDK_DISABLED": "true"}, False),
        ({"OTEL_SERVICE_NAME": "desk"}, False),
    ],
)
def test_traces_are_taken_where_the_standard_variables_say_where_to(said: dict[str, str], wanted: bool) -> None:
    assert tracing_is_wanted(said) is wanted


def test_untraced_a_span_is_nothing() -> None:
    assert not spans.are_taken()
    with spans.span("one") as one, spans.span("other") as other:
        assert one is other
    assert (spans.trace_id(), spans.carried()) == (None, None)


def test_traces_are_sent_by_otlp_to_the_address_that_is_set(monkeypatch: pytest.MonkeyPatch) -> None:
    with hook_receiver(HookReceiver()) as collector:
        monkeypatch.setenv("OTEL_EXPORTER_OTLP_ENDPOINT", collector.url.removesuffix("/hook"))
        monkeypatch.setenv("OTEL_RESOURCE_ATTRIBUTES", "deployment.environment.name=shop")
        open_tracing()
        with spans.span("something"):
            pass
        close_tracing()

    (sent,) = collector.got
    assert sent.path == "/v1/traces"
    assert all(word in sent.body for word in (b"something", b"lobedesk", b"service.version", b"shop"))


def test_a_collector_that_hangs_keeps_no_process_that_is_to_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    with silent_server() as port:
        monkeypatch.setenv("OTEL_EXPORTER_OTLP_ENDPOINT", f"http://127.0.0.1:{port}")
        open_tracing()
        with spans.span("something"):
            pass
        started = time.monotonic()
        close_tracing(patience_s=0.5)
        assert time.monotonic() - started < 3
    assert not spans.are_taken()


def test_without_the_packages_it_is_said_and_served_untraced(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "opentelemetry.sdk.trace.export", None)
    with structlog.testing.capture_logs() as lines:
        open_tracing()

    assert not spans.are_taken()
    assert ["lobedesk[tracing]" in line["event"] for line in lines] == [True]

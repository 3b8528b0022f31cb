"""Health, readiness, metrics, request ids, rates, and the shape of every problem."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest

from service.app import EXTENSION, close_app, create_app
from service.domain.access import Role
from service.domain.errors import (
    Conflict,
    Forbidden,
    InvalidInput,
    LobedeskError,
    NotAuthenticated,
    NotFound,
    PreconditionNeeded,
    Unavailable,
)
from service.settings import Settings
from service.web.problems import TooManyRequests
from service.workflows.keys import create_key
from tests.api.conftest import Caller

Json = dict[str, Any]


def test_health_touches_nothing(api_settings: Settings) -> None:
    app = create_app(
        replace(api_settings, database_url="postgresql:///x?host=/nowhere", redis_url="unix:///nowhere.sock")
    )

    response = Caller(app, None).get("/healthz")
    close_app(app)

    assert (response.status_code, response.get_json()) == (200, {"status": "ok"})


def test_ready_names_the_revision_answers_come_from(nobody: Caller) -> None:
    response = nobody.get("/readyz")

    assert response.status_code == 200
    body = response.get_json()
    assert body["ready"] is True
    assert body["catalogue_revision"] >= 1
    assert {body["parts"][name] for name in ("postgres", "schema", "catalogue", "redis")} == {"ok"}


def test_without_postgres_nothing_is_ready_and_every_route_says_try_again(api_settings: Settings) -> None:
    app = create_app(replace(api_settings, database_url="postgresql:///x?host=/nowhere"))
    caller = Caller(app, "lobedesk_desk_" + "0" * 39)

    ready = caller.get("/readyz")
    close_app(app)

    assert ready.status_code == 503
    assert ready.get_json()["parts"]["postgres"] == "away"


def test_before_the_first_import_it_is_not_ready_and_says_why(database_url: str, redis_url: str, scant: Json) -> None:
    app = create_app(Settings(database_url=database_url, redis_url=redis_url))
    caller = Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, "early"))

    ready = caller.get("/readyz")
    refused = caller.post("/v1/submissions", scant)
    close_app(app)

    assert ready.status_code == 503
    assert "import" in ready.get_json()["parts"]["catalogue"]
    assert refused.status_code == 503
    assert refused.headers["Retry-After"]
    assert "imported" in refused.get_json()["detail"]


def test_a_schema_that_is_behind_is_not_ready(empty_database_url: str, redis_url: str) -> None:
    app = create_app(Settings(database_url=empty_database_url, redis_url=redis_url))

    ready = Caller(app, None).get("/readyz")
    close_app(app)

    assert ready.status_code == 503
    assert "migrate" in ready.get_json()["parts"]["schema"]


def test_metrics_count_answers_by_state_and_requests_by_route(desk: Caller, scant: Json) -> None:
    def counted(pattern: str) -> float:
        text = desk.get("/metrics").get_data(as_text=True)
        return sum(float(value) for value in re.findall(rf"^{pattern} ([0-9.e+]+)$", text, re.MULTILINE))

    answers = r'lobedesk_answers_total\{state="more_readings_needed"\}'
    requests = r'lobedesk_request_seconds_count\{method="POST",route="/v1/submissions",status="201"\}'
    before = counted(answers), counted(requests)
    desk.submit(scant)

    assert (counted(answers), counted(requests)) == (before[0] + 1, before[1] + 1)
    assert desk.get("/metrics").content_type.startswith("text/plain; version=0.0.4")


def test_a_request_is_known_by_the_id_the_client_gave_it(desk: Caller) -> None:
    response = desk.get("/v1/nowhere", X_Request_Id="call-17.a")

    assert response.headers["X-Request-Id"] == "call-17.a"
    assert response.get_json()["request_id"] == "call-17.a"


@pytest.mark.parametrize("given", ["x" * 65, "two words", "<script>", ""])
def test_an_id_of_no_use_is_replaced(desk: Caller, given: str) -> None:
    response = desk.send("GET", "/v1/nowhere", headers={"X-Request-Id": given})

    assert re.fullmatch("[0-9a-f]{32}", response.headers["X-Request-Id"])


def test_a_key_that_asks_too_often_is_told_when_to_come_back(api_settings: Settings) -> None:
    app = create_app(replace(api_settings, rate_staff="2/minute", rate_widget="1/minute"))
    stores = app.extensions[EXTENSION].desk.stores
    busy, other = (Caller(app, create_key(stores, Role.DESK, name)) for name in ("busy", "other"))
    widget = Caller(app, create_key(stores, Role.WIDGET, "busy too"))

    replies = [busy.get("/v1/reviews") for _ in range(3)]
    others = other.get("/v1/reviews")
    shop = [
        widget.send(
            "GET", "/v1/submissions/00000000-0000-7000-8000-000000000000", environ_base={"REMOTE_ADDR": address}
        )
        for address in ("192.0.2.1", "192.0.2.1", "192.0.2.2")
    ]
    close_app(app)

    assert [reply.status_code for reply in replies] == [200, 200, 429]
    assert replies[0].headers["RateLimit-Policy"] == '"staff";q=2;w=60'
    assert re.fullmatch('"staff";r=1;t=[0-9]+', replies[0].headers["RateLimit"])
    assert 1 <= int(replies[2].headers["Retry-After"]) <= 60
    assert replies[2].get_json()["code"] == "too_many_requests"
    assert others.status_code == 200
    assert [reply.status_code for reply in shop] == [404, 429, 404]


def test_without_redis_rates_are_still_counted(api_settings: Settings) -> None:
    app = create_app(replace(api_settings, rate_staff="2/minute", redis_url="unix:///nowhere.sock"))
    caller = Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, "busy alone"))

    statuses = [caller.get("/v1/reviews").status_code for _ in range(3)]
    close_app(app)

    assert statuses == [200, 200, 429]


@pytest.mark.parametrize(
    ("method", "path", "status", "code"),
    [
        ("GET", "/nowhere", 404, "not_found"),
        ("GET", "/v1/submissions/not-a-uuid", 404, "not_found"),
        ("GET", "/v1/submissions/%ff", 404, "not_found"),
        ("GET", "/v1/submissions/%00", 404, "not_found"),
        ("PUT", "/v1/submissions", 405, "method_not_allowed"),
        ("TRACE", "/v1/reviews", 405, "method_not_allowed"),
        ("BREW", "/v1/reviews", 405, "method_not_allowed"),
    ],
)
def test_every_error_is_a_problem(desk: Caller, method: str, path: str, status: int, code: str) -> None:
    response = desk.send(method, path)

    assert response.status_code == status
    assert response.content_type == "application/problem+json"
    body = response.get_json()
    assert body["code"] == code
    assert body["type"] == f"/docs#problem-{code}"
    assert body.keys() >= {"type", "title", "status", "detail", "code", "request_id"}
    if status == 405:
        assert response.headers["Allow"]


def test_what_goes_wrong_inside_stays_inside(api_settings: Settings) -> None:
    app = create_app(api_settings)

    def broken() -> None:
        raise RuntimeError("POISON: a secret of the inside")

    app.add_url_rule("/broken", "broken", broken)
    app.before_request_funcs[None] = app.before_request_funcs[None][:1]  # only the request's id, no keys
    response = Caller(app, None).get("/broken")
    close_app(app)

    assert response.status_code == 500
    assert "POISON" not in response.get_data(as_text=True)
    assert response.get_json()["code"] == "internal_error"


def test_every_error_a_request_can_meet_has_a_line_in_the_documentation(nobody: Caller) -> None:
    def family(kind: type[LobedeskError]) -> set[type[LobedeskError]]:
        return {kind}.union(*(family(child) for child in kind.__subclasses__()))

    page = nobody.get("/docs").get_data(as_text=True)

    met = {Unavailable, TooManyRequests}.union(
        *map(family, (InvalidInput, NotFound, Conflict, PreconditionNeeded, NotAuthenticated, Forbidden))
    )
    assert {"claim_lapsed", "impossible_order", "catalogue_faults", "not_a_photo"} <= {kind.code for kind in met}
    assert [kind.code for kind in met if page.count(f'id="problem-{kind.code}"') != 1] == []


def test_the_documentation_loads_nothing_from_anywhere(nobody: Caller) -> None:
    response = nobody.get("/docs")

    assert response.headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert "<script" not in response.get_data(as_text=True)
    assert "http" not in re.findall(r'(?:src|href)="([^"]*)"', response.get_data(as_text=True))


def test_metrics_tell_what_waits(desk: Caller, scant: Json) -> None:
    def value(name: str) -> float:
        text = desk.get("/metrics").get_data(as_text=True)
        return float(next(line for line in text.splitlines() if line.startswith(f"{name} ")).rsplit(" ", 1)[1])

    assert value("lobedesk_postgres_reached") == 1
    waited = value('lobedesk_reviews{state="waiting"}')
    desk.submit(scant | {"ask_person": True})
    assert value('lobedesk_reviews{state="waiting"}') == waited + 1
    assert value('lobedesk_review_oldest_seconds{state="waiting"}') >= 0
    assert value('lobedesk_outbox_messages{state="dead"}') == 0
    assert value("lobedesk_catalogue_revision") >= 1

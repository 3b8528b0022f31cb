"""On whose pages a widget key may be used."""

from __future__ import annotations

from typing import Any

import pytest
from flask import Flask

from service.app import EXTENSION
from service.domain.access import Role
from service.domain.errors import InvalidInput
from service.workflows.keys import create_key
from tests.api.conftest import Caller

Json = dict[str, Any]
SHOP = "https://www.shop.example"


@pytest.fixture
def shop(app: Flask) -> Caller:
    return Caller(app, create_key(app.extensions[EXTENSION].desk.stores, Role.WIDGET, "shop", (SHOP,)))


def test_a_page_on_the_list_may_read_the_answer(shop: Caller, scant: Json) -> None:
    response = shop.post("/v1/previews", scant, Origin=SHOP)

    assert response.status_code == 200
    assert response.headers["Access-Control-Allow-Origin"] == SHOP
    assert "Origin" in response.headers["Vary"]


def test_a_page_that_is_not_is_refused_before_anything_is_done(shop: Caller, widget: Caller, scant: Json) -> None:
    for caller, origin in (
        (shop, "https://shop.example"),
        (shop, "http://www.shop.example"),
        (shop, f"{SHOP}:8443"),
        (shop, f"{SHOP}.evil.example"),
        (shop, "null"),
        (shop, "http://["),
        (widget, SHOP),
    ):
        response = caller.post("/v1/submissions", scant, Origin=origin)
        assert response.status_code == 403, origin
        assert "Access-Control-Allow-Origin" not in response.headers


def test_the_service_s_own_pages_and_programs_need_no_list(widget: Caller, scant: Json) -> None:
    assert widget.post("/v1/previews", scant).status_code == 200
    assert widget.post("/v1/previews", scant, Origin="http://localhost").status_code == 200


def test_a_browser_that_asks_first_is_told_what_it_may_send(nobody: Caller) -> None:
    asked = {"Origin": SHOP, "Access-Control-Request-Method": "POST", "Access-Control-Request-Headers": "authorization"}
    response = nobody.send("OPTIONS", "/v1/previews", headers=asked)

    assert response.status_code == 200
    assert response.headers["Access-Control-Allow-Origin"] == SHOP
    assert "Authorization" in response.headers["Access-Control-Allow-Headers"]
    assert "Access-Control-Allow-Credentials" not in response.headers
    assert nobody.send("OPTIONS", "/v1/previews").status_code == 401


def test_a_desk_key_is_read_by_no_other_site(desk: Caller) -> None:
    response = desk.get("/v1/reviews", Origin=SHOP)

    assert response.status_code == 200
    assert "Access-Control-Allow-Origin" not in response.headers


@pytest.mark.parametrize(
    ("role", "origin"),
    [
        (Role.DESK, SHOP),
        (Role.WIDGET, "www.shop.example"),
        (Role.WIDGET, f"{SHOP}/"),
        (Role.WIDGET, "https://*"),
        (Role.WIDGET, "HTTPS://WWW.SHOP.EXAMPLE"),
    ],
)
def test_what_is_no_origin_of_a_widget_is_refused(app: Flask, role: Role, origin: str) -> None:
    with pytest.raises(InvalidInput):
        create_key(app.extensions[EXTENSION].desk.stores, role, "no", (origin,))

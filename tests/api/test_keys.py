"""Keys: made for a time, taken over from, stopped, and each of it noted."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest
from click.testing import CliRunner
from flask import Flask

from service.adapters.postgres.pool import PostgresStores
from service.cli import main
from service.domain.access import Role
from service.domain.errors import Conflict, NotAuthenticated
from service.settings import Settings
from service.workflows.keys import authenticate, create_key, revoke_key
from tests.api.conftest import Caller

Json = dict[str, Any]


@pytest.fixture
def admin(app: Flask, keys: dict[Role, str]) -> Caller:
    """Whoever answers for the service."""
    return Caller(app, keys[Role.ADMIN])


def made(admin: Caller, **wanted: Any) -> Json:
    reply = admin.post("/v1/keys", {"role": "desk", "name": "front desk"} | wanted)
    assert reply.status_code == 201, reply.get_json()
    assert reply.headers["Cache-Control"] == "no-store"
    found: Json = reply.get_json()
    return found


def written(at: datetime) -> str:
    return at.strftime("%Y-%m-%dT%H:%M:%SZ")


def opens(app: Flask, key: str) -> bool:
    return Caller(app, key).get("/v1/reviews").status_code == 200


def test_a_key_is_shown_once_and_then_known_by_its_ending(app: Flask, admin: Caller) -> None:
    key = made(admin)

    assert opens(app, key["key"])
    (listed,) = [each for each in admin.get("/v1/keys").get_json()["items"] if each["id"] == key["id"]]
    assert listed["ending"] == key["key"][-4:]
    assert listed["last_used_at"] is not None
    assert key["key"] not in admin.get("/v1/keys").get_data(as_text=True)


def test_a_key_made_for_a_time_stops_when_it_is_over(
    app: Flask, admin: Caller, database: psycopg.Connection[Any]
) -> None:
    until = datetime.now(UTC).replace(microsecond=0) + timedelta(days=30)
    key = made(admin, expires_at=written(until))
    assert datetime.fromisoformat(key["expires_at"]) == until
    assert opens(app, key["key"])

    database.execute("UPDATE api_keys SET expires_at = now() - interval '1 second' WHERE id = %s", (key["id"],))

    refused = Caller(app, key["key"]).get("/v1/reviews")
    assert refused.status_code == 401
    assert "expired" in refused.get_json()["detail"]
    assert admin.post(f"/v1/keys/{key['id']}/rotation", {}).status_code == 409
    assert admin.post(f"/v1/keys/{key['id']}/revocation").status_code == 409


def test_the_key_that_takes_over_works_beside_the_old_one_for_a_while(app: Flask, admin: Caller) -> None:
    old = made(admin, role="widget", name="shop", origins=["https://www.shop.example"])

    new = admin.post(f"/v1/keys/{old['id']}/rotation", {"overlap_hours": 2}).get_json()

    assert (new["role"], new["name"], new["origins"]) == ("widget", "shop", ["https://www.shop.example"])
    assert new["key"] != old["key"]
    listed = {each["id"]: each for each in admin.get("/v1/keys").get_json()["items"]}
    left = datetime.fromisoformat(listed[old["id"]]["expires_at"]) - datetime.now(UTC)
    assert timedelta(hours=1, minutes=55) < left <= timedelta(hours=2)
    assert listed[new["id"]]["expires_at"] is None


def test_a_key_that_several_share_says_so_and_hands_it_on(admin: Caller) -> None:
    old = made(admin, role="desk", name="the counter", shared=True)

    new = admin.post(f"/v1/keys/{old['id']}/rotation", {}).get_json()

    listed = {each["id"]: each["shared"] for each in admin.get("/v1/keys").get_json()["items"]}
    assert (listed[old["id"]], listed[new["id"]]) == (True, True)
    assert made(admin, role="desk", name="one person's")["shared"] is False


def test_taking_over_never_lengthens_an_old_key_s_life(app: Flask, admin: Caller) -> None:
    old = made(admin, expires_at=written(datetime.now(UTC) + timedelta(minutes=10)))

    assert admin.post(f"/v1/keys/{old['id']}/rotation", {"overlap_hours": 48}).status_code == 201
    listed = {each["id"]: each for each in admin.get("/v1/keys").get_json()["items"]}
    assert listed[old["id"]]["expires_at"] == old["expires_at"]


def test_an_overlap_of_nothing_stops_the_old_key_at_once(app: Flask, admin: Caller) -> None:
    old = made(admin)

    new = admin.post(f"/v1/keys/{old['id']}/rotation", {"overlap_hours": 0}).get_json()

    assert not opens(app, old["key"])
    assert opens(app, new["key"])


def test_a_revoked_key_opens_nothing_from_then_on(app: Flask, admin: Caller) -> None:
    key = made(admin)

    stopped = admin.post(f"/v1/keys/{key['id']}/revocation").get_json()

    assert stopped["revoked_at"] is not None
    assert not opens(app, key["key"])
    assert admin.post(f"/v1/keys/{key['id']}/revocation").status_code == 409
    assert admin.post("/v1/keys/019aa000-0000-7000-8000-000000000000/revocation").status_code == 404


def test_the_last_admin_key_that_stays_cannot_be_stopped(stores: PostgresStores) -> None:
    create_key(stores, Role.ADMIN, "for a day", (), datetime.now(UTC) + timedelta(days=1))
    last = create_key(stores, Role.ADMIN, "for good")
    with stores.transaction() as transaction:
        passing, staying = (entry.record for entry in transaction.keys.all())

    with pytest.raises(Conflict, match="last admin key"), stores.transaction() as transaction:
        revoke_key(transaction, None, staying.id)
    assert authenticate(stores, last).id == staying.id

    create_key(stores, Role.ADMIN, "another")
    with stores.transaction() as transaction:
        assert not revoke_key(transaction, staying, staying.id).works(datetime.now(UTC))
        revoke_key(transaction, None, passing.id)
    with pytest.raises(NotAuthenticated):
        authenticate(stores, last)


def test_a_key_stopped_at_the_terminal_opens_nothing_here(app: Flask, api_settings: Settings) -> None:
    def run(*words: str) -> str:
        done = CliRunner().invoke(
            main, ["keys", *words], env={"LOBEDESK_DATABASE_URL": api_settings.database_url}, catch_exceptions=False
        )
        assert done.exit_code == 0, done.output
        return done.output

    key = run("create", "--role", "desk", "--name", "at the terminal", "--days", "3").splitlines()[-1]
    assert opens(app, key)
    (line,) = [line for line in run("list").splitlines() if "at the terminal" in line]
    assert "works until" in line
    assert key[-4:] in line

    successor = run("rotate", line.split()[0], "--overlap-hours", "0").splitlines()[-1]
    assert not opens(app, key)
    assert opens(app, successor)
    (line,) = [line for line in run("list").splitlines() if successor[-4:] in line and "at the terminal" in line]
    assert run("revoke", line.split()[0]) == "revoked\n"
    assert not opens(app, successor)


def test_a_widget_key_that_no_page_may_use_and_a_site_that_is_none_are_told_once(api_settings: Settings) -> None:
    def said(*words: str) -> str:
        settings = {"LOBEDESK_DATABASE_URL": api_settings.database_url}
        return (
            CliRunner().invoke(main, ["keys", "create", "--role", "widget", "--name", "w", *words], env=settings).stderr
        )

    assert "no page of a store may use it" in said()
    assert said("--origin", "https://www.shop.example") == ""
    assert said("--origin", "shop.example").count("is no origin") == 1


def test_what_is_done_with_keys_is_noted(admin: Caller) -> None:
    key = made(admin, name="noted")
    admin.post(f"/v1/keys/{key['id']}/rotation", {})
    admin.post(f"/v1/keys/{key['id']}/revocation")

    noted = [
        entry["action"]
        for entry in admin.get("/v1/privacy/trail?limit=20").get_json()["items"]
        if key["id"] in str(entry["details"])
    ]
    assert noted == ["key_revoked", "key_rotated", "key_made"]


@pytest.mark.parametrize(
    ("wanted", "pointer"),
    [
        ({"name": " "}, "/name"),
        ({"origins": ["https://www.shop.example"]}, "/origins"),
        ({"role": "widget", "origins": ["https://www.shop.example/path"]}, "/origins/0"),
        ({"expires_at": "2001-01-01T00:00:00Z"}, "/expires_at"),
        ({"role": "widget", "shared": True}, "/shared"),
        ({"shared": "yes"}, "/shared"),
    ],
)
def test_a_key_that_is_no_use_is_refused(admin: Caller, wanted: Json, pointer: str) -> None:
    refused = admin.post("/v1/keys", {"role": "desk", "name": "front desk"} | wanted)

    assert refused.status_code == 422
    assert refused.get_json()["errors"][0]["pointer"].endswith(pointer)


def test_nobody_but_an_admin_makes_or_stops_keys(desk: Caller, admin: Caller) -> None:
    key = made(admin)

    assert desk.post("/v1/keys", {"role": "admin", "name": "me"}).status_code == 403
    assert desk.post(f"/v1/keys/{key['id']}/rotation", {}).status_code == 403
    assert desk.post(f"/v1/keys/{key['id']}/revocation").status_code == 403

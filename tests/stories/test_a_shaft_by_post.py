"""A shaft comes by post: from the announcement to the letter and the way back, against the real server and worker.

The supplier, the caller, the shaft and its part number are invented.
"""

from __future__ import annotations

import io
import json
import os
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pypdf
import pypdfium2
import pytest
import zxingcpp
from standardwebhooks.webhooks import Webhook

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.catalogue_files import read_json
from service.domain.access import Role
from service.domain.cautions import CAUTIONS
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key
from tests.api.conftest import FIXTURES, as_url
from tests.integration.receivers import HookReceiver, MailBox, hook_receiver, mail_server, wait_until
from tests.integration.test_photos import with_a_place

Json = dict[str, Any]
BUILDERS_CODE = "POISON-7Q"


class Server:
    """`lobedesk serve` of a supplier with a name, a mail server and stores, over a database of its own."""

    def __init__(self, database_url: str, redis_url: str, smtp_url: str, folder: Path) -> None:
        with open_pool(database_url) as pool:
            stores = PostgresStores(pool)
            catalogue = read_json((FIXTURES / "catalogue.json").read_bytes())
            import_catalogue(stores, catalogue, who="tests", why="the invented catalogue")
            self.keys = {role: create_key(stores, role, f"the {role}") for role in Role}
        kept = {name: value for name, value in os.environ.items() if not name.startswith("LOBEDESK_")}
        settings = {
            "LOBEDESK_DATABASE_URL": as_url(database_url),
            "LOBEDESK_REDIS_URL": redis_url,
            "LOBEDESK_DATA": str(folder),
            "LOBEDESK_WORKERS": "1",
            "LOBEDESK_SUPPLIER_NAME": "Thrumbleby Cam Works",
            "LOBEDESK_SUPPLIER_ADDRESS": "1 Invented Lane; Thrumbleby",
            "LOBEDESK_LETTER_OPENING": "Good day to you.",
            "LOBEDESK_MAIL_FROM": "desk@thrumbleby.example",
            "LOBEDESK_SMTP_URL": smtp_url,
            "LOBEDESK_WEBHOOK_PRIVATE": "yes",
        }
        self.log = folder / "serve.log"
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "service.cli", "serve"],
                env=kept | settings,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line.startswith("lobedesk serves http://"):
            self.process.communicate(timeout=60)
            pytest.fail(self.log.read_text())
        self.url = line.split()[-1]

    def send(self, role: Role, path: str, body: Any = None, kind: str = "application/json") -> tuple[int, bytes]:
        """A request; GET where there is no body. JSON is written out, a photo is sent as it is."""
        data = body if body is None or isinstance(body, bytes) else json.dumps(body).encode()
        headers = {"Authorization": f"Bearer {self.keys[role]}"} | ({} if data is None else {"Content-Type": kind})
        request = urllib.request.Request(f"{self.url}{path}", data, headers)
        try:
            with urllib.request.urlopen(request, timeout=60) as response:
                return response.status, response.read()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read()

    def get(self, role: Role, path: str) -> Json:
        status, body = self.send(role, path)
        assert status == 200, body
        answer: Json = json.loads(body)
        return answer

    def post(self, role: Role, path: str, body: Any, status: int = 200) -> Json:
        found, answered = self.send(role, path, body)
        assert found == status, answered
        answer: Json = json.loads(answered)
        return answer

    def stop(self) -> None:
        self.process.send_signal(signal.SIGTERM)
        self.process.communicate(timeout=60)


@pytest.fixture
def mailbox() -> Iterator[MailBox]:
    with mail_server(MailBox()) as box:
        yield box


@pytest.fixture
def server(database_url: str, redis_url: str, mailbox: MailBox, tmp_path: Path) -> Iterator[Server]:
    server = Server(database_url, redis_url, mailbox.url, tmp_path)
    yield server
    server.stop()


def words_of(pdf: bytes) -> str:
    return " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def scanned(pdf: bytes) -> set[str]:
    """What a scanner reads from the printed sheet."""
    document = pypdfium2.PdfDocument(pdf)
    image = document[0].render(scale=200 / 72).to_pil()
    document.close()
    return {code.text for code in zxingcpp.read_barcodes(image)}


def test_a_shaft_from_the_announcement_to_the_letter_and_the_way_back(server: Server, mailbox: MailBox) -> None:
    store, bench, desk = Role.WIDGET, Role.BENCH, Role.DESK
    with hook_receiver(HookReceiver()) as receiver:
        endpoint = server.post(Role.ADMIN, "/v1/webhooks", {"url": receiver.url}, 201)

        # A store's customer says that a shaft is on its way, and prints what goes with it.
        announced = server.post(
            store,
            "/v1/mail-ins",
            {
                "unit": "in",
                "contact": {"name": "A. Caller", "email": "caller@shop.example"},
                "send_back_to": ["A. Caller", "3 Invented Lane", "Thrumbleby"],
                "note": "POISON-NOTE",
            },
            201,
        )
        path = f"/v1/mail-ins/{announced['id']}"
        for paper in ("slip", "label"):
            _, pdf = server.send(store, announced[paper])
            assert announced["spoken"] in words_of(pdf)
            assert "1 Invented Lane" in words_of(pdf)
            assert scanned(pdf) == {announced["reference"]}

        # The box comes. Whoever unpacks it scans the slip, and finds the case.
        (found,) = server.get(bench, f"/v1/mail-ins?reference={announced['reference']}")["items"]
        assert found["id"] == announced["id"]
        received = {"kind": "received", "place": "shelf 2", "by": "R. Bench", "condition": ["worn", "rusted"]}
        assert server.post(bench, f"{path}/events", received)["place"] == "shelf 2"
        status, body = server.send(bench, f"{path}/photos", with_a_place(), "image/jpeg")
        assert status == 201, body
        _, photo = server.send(bench, json.loads(body)["url"])
        assert b"POISON" not in photo

        # It cannot be reported before it is measured, nor scrapped without its owner's word.
        assert server.send(bench, f"{path}/events", {"kind": "reported"})[0] == 409
        assert server.send(bench, f"{path}/events", {"kind": "scrapped"})[0] == 409

        # The bench measures it with better tools, and notes an engine builder's private mark.
        sample = json.loads((FIXTURES / "sample_submission.json").read_text())
        measured = server.post(
            bench,
            f"{path}/events",
            {
                "kind": "measured",
                "place": "bench 1",
                "taken_from": "shelf 2",
                "unit": sample["unit"],
                "instrument": "outside_micrometer",
                "readings": sample["readings"],
                "counts": sample["counts"],
                "markings": [{"place": "gear", "text": BUILDERS_CODE}],
            },
        )
        submission = server.get(desk, f"/v1/submissions/{measured['submission']}")
        assert submission["submission"]["source"] == "mail_in"
        assert submission["state"] == "identified"
        part_number = submission["answer"]["part_number"]

        # It is reported: the letter is kept, mailed, and the store is told.
        reported = server.post(bench, f"{path}/events", {"kind": "reported", "letter": {"email": True}})
        letter = server.get(desk, f"/v1/letters/{reported['events'][-1]['details']['letter']}")
        wait_until(lambda: bool(mailbox.taken), "the letter to be mailed")

        # It goes back, and lies nowhere here any more.
        returned = server.post(bench, f"{path}/events", {"kind": "returned", "tracking": "T-1234"})
        assert (returned["state"], returned["place"]) == ("returned", None)
        assert [event["kind"] for event in returned["events"]] == [
            "announced",
            "received",
            "measured",
            "reported",
            "returned",
        ]
        assert server.send(bench, f"{path}/events", {"kind": "moved", "place": "shelf 3"})[0] == 409
        wait_until(lambda: len(receiver.got) >= 6, "the store to be told of everything")

    # The customer opens the letter.
    (mail,) = mailbox.taken
    assert mailbox.recipients == ["caller@shop.example"]
    (paper,) = mail.iter_attachments()
    assert paper.get_content_type() == "application/pdf"
    pdf = paper.get_content()
    assert pdf == server.send(desk, letter["forms"]["pdf"])[1]
    words = " ".join(words_of(pdf).split())
    for said in (
        "Thrumbleby Cam Works",
        "Good day to you.",
        "A. Caller",
        announced["spoken"],
        "looked: worn, rusted",
        f"It is {part_number}",
        "What was measured",
        "outside micrometer",
        "What it fits",
        "What to check before running it",
        "What we could not tell",
        "How sure we are: over 99.9 %",
    ):
        assert said in words, said
    assert all(caution.split(",")[0] in words for caution in CAUTIONS)
    inches, millimetres = submission["derived"][0]["corrected"], float(submission["derived"][0]["corrected"]) * 25.4
    shown = re.search(rf"{re.escape(str(inches))} in \((\d+\.\d+)", words)
    assert shown is not None
    assert float(shown[1]) == pytest.approx(millimetres, abs=0.007)  # both are rounded

    # Nothing told in private left the house, or got into the log.
    told = [Webhook(endpoint["secret"]).verify(request.body, request.headers) for request in receiver.got]
    assert sorted(each["data"].get("event", each["type"]) for each in told) == [
        "announced",
        "letter.issued",
        "measured",
        "received",
        "reported",
        "returned",
    ]
    (issued,) = (each["data"] for each in told if each["type"] == "letter.issued")
    assert issued["part_number"] == part_number
    left = [words, mail.as_string(), *(request.body.decode() for request in receiver.got), server.log.read_text()]
    assert not any("POISON" in text for text in left)
    assert not any("caller@" in text for text in (*left[2:-1], left[-1]))
    assert server.get(store, path)["state"] == "returned"

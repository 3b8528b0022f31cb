"""schemathesis over every operation of the committed document, all checks on, each operation with a success at least.

It works on an application and a database of its own, since it imports catalogues.
"""

from __future__ import annotations

import copy
import io
import itertools
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any
from uuid import UUID

import pytest
import schemathesis
from flask import Flask
from hypothesis import HealthCheck, settings
from PIL import Image
from schemathesis.config import SchemathesisConfig

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.app import EXTENSION, close_app, create_app
from service.catalogue_files import read_json
from service.catalogue_files.written import written_csv, written_json
from service.domain.access import Role
from service.domain.catalogue import Catalogue
from service.domain.outbox import Topic
from service.settings import Settings
from service.web.api.bench.schemas import INSTRUMENT_EXAMPLE
from service.web.api.catalogue.edit_schemas import CORE_EXAMPLE, PART_EXAMPLE
from service.web.api.lift_tables.examples import LIFT_TABLE_EXAMPLES
from service.web.api.valve_timing.schemas import TIMING_EXAMPLES
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.keys import create_key
from tests.api.conftest import FIXTURES, Caller, as_url
from tests.api.test_document import DOCUMENT

MOST_EXAMPLES = 7

ENOUGH_REVISIONS = 3
"""Every change of the catalogue makes a revision of it, which takes a while; the rest of the requests are refused."""

# 412: a precondition that names another revision. Everything else is as schemathesis has it.
TAKEN_WHEN_VALID = ["2xx", "3xx", "404", "409", "412"]

PART_NAMING = ("/decision", "/overrule", "/order", "/confirmations")
"""How the paths end whose bodies name a part."""

CONFIG = SchemathesisConfig.from_dict(
    {
        "generation": {"deterministic": True, "max-examples": MOST_EXAMPLES},
        "checks": {"positive_data_acceptance": {"expected-statuses": TAKEN_WHEN_VALID}},
        "operations": [
            {
                # 422: no schema can say that a core exists, or that a size is plausible in its unit.
                "include-path-regex": "^/v1/catalogue/(revisions$|drafts(/page.html|/summary.txt)?$)",
                "include-method": "POST",
                "checks": {"positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]}},
            },
            {
                # schemathesis sends files that are none; here each upload is replaced. What is none has its own tests.
                "include-path": "/v1/catalogue/drafts/files",
                "checks": {
                    "positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]},
                    "negative_data_rejection": {"enabled": False},
                },
            },
            {
                # 422: no schema can say that a size is plausible in its unit. Only some bodies are of the part named.
                "include-path-regex": "^/v1/catalogue/(parts|cores)",
                "checks": {"positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422", "428"]}},
            },
            {
                # schemathesis sends no pictures; here each body is replaced by one. What is none has its own tests.
                "include-path-regex": "^/v1/(mail-ins/{mail_in_id}|submissions/{submission_id}|own-case)/photos$",
                "include-method": "POST",
                "checks": {
                    "positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]},
                    "negative_data_rejection": {"enabled": False},
                },
            },
            {
                # 422: no schema can say which members belong to which kind of event.
                "include-path-regex": "^/v1/mail-ins(/{mail_in_id}/events)?$",
                "include-method": "POST",
                "checks": {"positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]}},
            },
            {
                # 422: no schema can say that rows of numbers make a lobe, or which figure has which sign.
                "include-path-regex": "^/v1/(lift-tables|valve-timing)",
                "include-method": "POST",
                "checks": {"positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]}},
            },
            {
                # 422: no schema can say which of two days comes first, or which scale goes with which instrument.
                "include-path-regex": "^/v1/bench/instruments",
                "include-method": "POST",
                "checks": {"positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]}},
            },
            {
                # 422: no schema can say whether mail can be sent here, and to whom.
                "include-path": "/v1/submissions/{submission_id}/letters",
                "include-method": "POST",
                "checks": {"positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]}},
            },
            {
                # 422: no schema can say which addresses lie in the open internet, or which keys there are.
                "include-path": "/v1/webhooks",
                "include-method": "POST",
                "checks": {"positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]}},
            },
            {
                # 422: no schema can say that a time is still to come, or that only widgets have origins.
                "include-path": "/v1/keys",
                "include-method": "POST",
                "checks": {"positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]}},
            },
            {
                # 422: no schema can say which parts there are, or that a part has a number and nothing else has.
                "include-path-regex": f"({'|'.join(PART_NAMING)})$",
                "checks": {"positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]}},
            },
            {
                # 422: no schema can say that a reference's check digit is right, or that a name has a letter in it.
                # 200: an unknown name whose value is an empty list leaves no trace in a query string.
                "include-path": "/v1/cases",
                "checks": {
                    "positive_data_acceptance": {"expected-statuses": [*TAKEN_WHEN_VALID, "422"]},
                    "negative_data_rejection": {"expected-statuses": ["2xx", "4xx"]},
                },
            },
        ],
    }
)
schema = schemathesis.openapi.from_dict(DOCUMENT, config=CONFIG)


class Deferred:
    """A WSGI application that is put in place once there is one; tests are collected before there is."""

    inside: Flask

    def __call__(self, environ: Any, start_response: Any) -> Any:
        return self.inside(environ, start_response)


schema.app = deferred = Deferred()

SCANT = {
    "source": "web",
    "unit": "in",
    "readings": [{"feature": "journal_diameter", "position": "front", "values": ["0.7500"]}],
}


def _picture() -> bytes:
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "PNG")
    return out.getvalue()


PICTURE = _picture()


for _kind in ("image/jpeg", "image/png", "image/webp"):

    @schemathesis.serializer(_kind)
    def as_it_is(ctx: Any, value: Any) -> bytes:
        """A photo is sent as it stands."""
        return value if isinstance(value, bytes) else str(value).encode("utf-8", "replace")


def small_catalogue() -> Catalogue:
    """Two cores of the invented catalogue with a few of their parts: as many kinds of request, answered quickly."""
    whole = read_json((FIXTURES / "catalogue.json").read_bytes())
    parts = [part for part in whole.parts if part.core in ("KD", "VP") and part.superseded_by is None][:12]
    return Catalogue(tuple(core for core in whole.cores if core.code in ("KD", "VP")), tuple(parts))


A_PART = "DFH-7WT"
"""One of them."""


class Subject:
    """The application under test, a caller who may do anything, and what has been answered."""

    def __init__(self, settings: Settings) -> None:
        self.app: Flask = create_app(settings)
        self.key = create_key(self.app.extensions[EXTENSION].desk.stores, Role.ADMIN, "schemathesis")
        self.caller = Caller(self.app, self.key)
        self.serial = itertools.count()
        self.tried: set[str] = set()
        self.succeeded: Counter[str] = Counter()

    def fit(self, case: Any) -> None:
        """Give a generated request something to meet: ids that exist, keys that are its own."""
        if self.caller.get(f"/v1/catalogue/parts/{A_PART}").status_code == 404:
            self.put_back()  # requests before this one may have published another catalogue
        if case.path_parameters and case.meta.generation.mode.is_positive and next(self.serial) % 4:
            known: dict[str, Any] = {"revision": 2, "part_number": A_PART, "code": "KD", "sheet": "parts.csv"}
            if "submission_id" in case.path_parameters:
                known["submission_id"] = self.caller.submit(SCANT)["id"]
            if case.path.startswith("/v1/submissions/") and "photo_id" in case.path_parameters:
                known["photo_id"] = self.photo(f"/v1/submissions/{known['submission_id']}/photos")
            if "review_id" in case.path_parameters:
                known["review_id"] = self.review(claimed=case.path.endswith(("/release", "/lease", "/decision")))
            known["core"] = "KD"
            known |= self.posted(case)
            known |= self.of_cases(case)
            case.path_parameters |= {name: known[name] for name in case.path_parameters}
        if case.path.startswith(("/v1/catalogue/parts", "/v1/catalogue/cores")) and case.method != "GET":
            self.edit(case)
        if case.path.endswith(PART_NAMING) and case.meta.generation.mode.is_positive:
            self.name_a_part(case.body)
        if case.path.endswith("/photos") and case.method == "POST" and case.meta.generation.mode.is_positive:
            case.body = PICTURE
        if case.path == "/v1/catalogue/drafts/files" and case.meta.generation.mode.is_positive:
            self.draft()
            case.media_type = "multipart/form-data"
            case.body = {"files": [written_json(small_catalogue())]}
        if case.headers and "Idempotency-Key" in case.headers:
            case.headers["Idempotency-Key"] = f"{case.headers['Idempotency-Key'][:150]}-{next(self.serial)}"
        if (
            case.path in ("/v1/lift-tables", "/v1/lift-tables/plot.svg")
            and case.meta.generation.mode.is_positive
            and next(self.serial) % 3
        ):
            case.body = copy.deepcopy(LIFT_TABLE_EXAMPLES["a_bench"]["value"])  # rows that make a lobe
        if case.path.endswith("/readings") and isinstance(case.body, dict) and case.body.get("unit") == "mm":
            case.body["unit"] = "in"  # the submission's, which no schema can say
        if case.path == "/v1/valve-timing" and case.meta.generation.mode.is_positive and next(self.serial) % 3:
            case.body = copy.deepcopy(TIMING_EXAMPLES["four_events"]["value"])

    def put_back(self) -> None:
        """Make the small catalogue the active one again."""
        import_catalogue(
            self.app.extensions[EXTENSION].desk.stores, small_catalogue(), who="tests", why="and the one in use"
        )

    def edit(self, case: Any) -> None:
        """Change what there is, as it was last read: a part or a core that this request alone is about."""
        enough = self.succeeded[case.operation.label] >= ENOUGH_REVISIONS
        if enough or not case.meta.generation.mode.is_positive:
            return
        kind = "parts" if "/parts" in case.path else "cores"
        name = {"parts": "part_number", "cores": "code"}[kind]
        example = copy.deepcopy({"parts": PART_EXAMPLE | {"core": "KD"}, "cores": CORE_EXAMPLE}[kind])
        example[name] = f"NEW-{next(self.serial)}"
        if case.method == "POST":
            case.body = example
            case.headers.pop("If-Match", None)
            return
        added = self.caller.post(f"/v1/catalogue/{kind}", example)
        assert added.status_code == 201, added.get_data(as_text=True)
        case.path_parameters[name] = example[name]
        case.headers["If-Match"] = added.headers["ETag"]
        if case.method == "PUT":
            case.body = example | {{"parts": "title", "cores": "name"}[kind]: "Another"}

    def review(self, *, claimed: bool) -> str:
        """A review that waits, or that the caller has in hand."""
        review_id: str = self.caller.submit(SCANT | {"ask_person": True})["review"]["id"]
        if claimed:
            assert self.caller.post("/v1/reviews/claim", {"review_id": review_id}).status_code == 200
        return review_id

    def of_cases(self, case: Any) -> dict[str, str]:
        """What the paths about whole cases ask for, made for this request alone."""
        if case.path == "/v1/returns/{token}":
            path = f"/v1/submissions/{self.caller.submit(SCANT)['id']}/links"
            return {"token": self.caller.post(path).get_json()["token"]}
        if not case.path.startswith("/v1/cases/"):
            return {}
        submission_id = self.caller.submit(SCANT)["id"]
        if case.path.endswith("/reopen"):
            assert self.caller.post(f"/v1/cases/{submission_id}/close", {"reason": "Told."}).status_code == 200
        if case.path.endswith("/merge"):
            case.body["into"] = self.caller.submit(SCANT)["id"]
        return {"submission_id": submission_id}

    def credential(self, case: Any) -> str:
        """The caller's key; where a link takes its place, one of a case made for this request alone."""
        if not case.path.startswith("/v1/own-case"):
            return self.key
        made = self.caller.post(f"/v1/submissions/{self.caller.submit(SCANT)['id']}/links")
        token: str = made.get_json()["token"]
        return token

    def name_a_part(self, body: Any) -> None:
        """Name a part there is, exactly where the outcome is one, which no schema can say."""
        if isinstance(body, dict) and next(self.serial) % 4:
            body["part_number"] = A_PART if body.get("outcome", "part") == "part" else None

    def posted(self, case: Any) -> dict[str, str]:
        """What the paths about letters and webhooks ask for, made for this case alone."""
        if "mail_in_id" in case.path_parameters:
            return self.shaft()
        if "lift_tables_id" in case.path_parameters:
            sheet = LIFT_TABLE_EXAMPLES["a_bench"]["value"] | {"submission": self.caller.submit(SCANT)["id"]}
            return {"lift_tables_id": self.caller.post("/v1/lift-tables", sheet).get_json()["kept"]["id"]}
        if "instrument_id" in case.path_parameters:
            new = INSTRUMENT_EXAMPLE | {"name": f"M-{next(self.serial)}"}
            return {"instrument_id": self.caller.post("/v1/bench/instruments", new).get_json()["id"]}
        if "draft_id" in case.path_parameters:
            return {"draft_id": self.draft()}
        if "letter_id" in case.path_parameters:
            submission_id = self.caller.submit(SCANT)["id"]
            return {"letter_id": self.caller.post(f"/v1/submissions/{submission_id}/letters", {}).get_json()["id"]}
        if "endpoint_id" in case.path_parameters:
            return {"endpoint_id": self.endpoint()}
        if "key_id" in case.path_parameters:
            return {"key_id": self.another_key()}
        if "message_id" in case.path_parameters:
            return {"message_id": self.dead_message()}
        return {}

    def shaft(self) -> dict[str, str]:
        """A shaft that has come, and a photo of it."""
        mail_in_id = self.caller.post("/v1/mail-ins", {}).get_json()["id"]
        self.caller.post(f"/v1/mail-ins/{mail_in_id}/events", {"kind": "received", "place": "shelf 2"})
        return {"mail_in_id": mail_in_id, "photo_id": self.photo(f"/v1/mail-ins/{mail_in_id}/photos")}

    def photo(self, path: str) -> str:
        """A photo that was added there."""
        photo = self.caller.send("POST", path, data=PICTURE, content_type="image/png").get_json()
        added: str = photo["id"]
        return added

    def draft(self) -> str:
        """The only draft there is."""
        for old in self.caller.get("/v1/catalogue/drafts").get_json()["items"]:
            self.caller.send("DELETE", f"/v1/catalogue/drafts/{old['id']}")
        files = [(io.BytesIO(text.encode()), name) for name, text in written_csv(small_catalogue()).items()]
        response = self.caller.send("POST", "/v1/catalogue/drafts/files", data={"files": files})
        kept: str = response.get_json()["id"]
        return kept

    def endpoint(self) -> str:
        """A webhook address of its own."""
        url = f"https://store.example/{next(self.serial)}"
        added: str = self.caller.post("/v1/webhooks", {"url": url}).get_json()["id"]
        return added

    def another_key(self) -> str:
        """A key that is nobody's yet."""
        made: str = self.caller.post("/v1/keys", {"role": "desk", "name": "another"}).get_json()["id"]
        return made

    def dead_message(self) -> str:
        """A message that failed for good."""
        endpoint_id = UUID(self.endpoint())
        with self.app.extensions[EXTENSION].desk.stores.transaction() as transaction:
            message_id = transaction.outbox.add_webhook(Topic.LETTER_ISSUED, endpoint_id, None, {})
            transaction.outbox.bury(message_id, "answered 500")
        return str(message_id)

    def note(self, name: str, status: int) -> None:
        self.tried.add(name)
        if 200 <= status < 300:
            self.succeeded[name] += 1


@pytest.fixture(scope="module")
def subject(request: pytest.FixtureRequest, new_database: Any, api_settings: Settings) -> Iterator[Subject]:
    with new_database() as conninfo:
        with open_pool(conninfo) as pool:
            small = small_catalogue()
            for why in ("a corner of the catalogue", "another title, to be gone back to", "and the one in use"):
                titled = replace(small, parts=(replace(small.parts[0], title=why), *small.parts[1:]))
                import_catalogue(PostgresStores(pool), titled, who="tests", why=why)
        subject = Subject(replace(api_settings, database_url=as_url(conninfo)))
        deferred.inside = subject.app
        yield subject
        close_app(subject.app)
    asked_for = sum(item.path == request.path for item in request.session.items)
    assert len(subject.tried) == asked_for, "an operation was not tried"
    assert set(subject.succeeded) == subject.tried, "an operation that never succeeded was not tested"


@schema.parametrize()
@settings(suppress_health_check=list(HealthCheck), deadline=None)
def test_every_operation_keeps_what_the_document_promises(case: Any, subject: Subject) -> None:
    subject.fit(case)

    response = case.call_and_validate(headers={"Authorization": f"Bearer {subject.credential(case)}"})

    subject.note(case.operation.label, response.status_code)

"""A Python client that a generator makes from the committed document, against the live service."""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
import threading
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from werkzeug.serving import make_server

from service.app import EXTENSION
from service.domain.access import Role
from service.workflows.keys import create_key
from tests.api.conftest import FIXTURES
from tests.api.test_document import COMMITTED

pytestmark = pytest.mark.long

SAMPLE = json.loads((FIXTURES / "sample_submission.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def generated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The client's package, importable."""
    folder, package = tmp_path_factory.mktemp("client"), "generated_client"
    tools = Path(sys.executable).parent
    subprocess.run(
        [
            *(tools / "openapi-python-client", "generate", "--path", COMMITTED),
            *("--meta", "none", "--output-path", folder / package),
        ],
        env=os.environ | {"PATH": f"{tools}:{os.environ['PATH']}"},
        check=True,
        capture_output=True,
    )
    sys.path.insert(0, str(folder))
    yield package
    sys.path.remove(str(folder))


@pytest.fixture
def address(app: Flask) -> Iterator[str]:
    """The application on a port."""
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()


def test_a_generated_client_opens_a_case_reads_it_adds_to_it_and_decides_it(
    generated: str, address: str, app: Flask
) -> None:
    def operation(name: str) -> Any:
        return importlib.import_module(f"{generated}.api.{name}")

    models = importlib.import_module(f"{generated}.models")
    key = create_key(app.extensions[EXTENSION].desk.stores, Role.DESK, "a generated client")
    made = importlib.import_module(f"{generated}.client").AuthenticatedClient(
        base_url=address, token=key, raise_on_unexpected_status=True
    )
    with made as client:
        body = models.Submission.from_dict(SAMPLE | {"ask_person": True})
        opened = operation("submissions.submissions_open_one").sync(client=client, body=body)
        assert isinstance(opened, models.AnswerToSubmission)
        assert opened.candidates[0].part_number

        found = operation("submissions.submissions_read_one").sync(opened.id, client=client)
        assert found.to_dict() == opened.to_dict()

        addition = models.Addition.from_dict({"counts": {"gear_teeth": 28}})
        more = operation("submissions.submissions_add_readings").sync(opened.id, client=client, body=addition)
        assert more.round_ == 2

        wish = models.Claim.from_dict({"review_id": str(opened.review.id)})
        claimed = operation("reviews.reviews_claim_one").sync(client=client, body=wish)
        verdict = models.ReviewDecision.from_dict(
            {"outcome": "cannot_tell", "confidence": "sure", "reason": "Worn flat."}
        )
        decided = operation("reviews.reviews_decide_one").sync(claimed.id, client=client, body=verdict)
        assert isinstance(decided, models.DecidedReview)

        missing = operation("submissions.submissions_read_one").sync(uuid.uuid4(), client=client)
        assert isinstance(missing, models.Problem)
        assert missing.status == 404

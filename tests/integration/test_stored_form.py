"""What was stored once stays readable: one frozen file for every form there has been."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import orjson
import pytest

from service.adapters.postgres.pool import PostgresStores
from service.adapters.stored_form import (
    STORED_FORM,
    answer_from_stored,
    answer_to_json,
    submission_from_stored,
    submission_to_stored,
)
from service.domain.access import Role
from service.domain.casework import DEFAULT_RULES
from service.domain.review import ReviewReason
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.identifying.identify import new_review
from service.workflows.keys import authenticate, create_key
from tests.instances import CHECKOUT
from tests.integration.stored_examples import ANSWER, SUBMISSION
from tests.integration.test_catalogue_store import invented

FROZEN = Path(__file__).parent / "stored_forms"
AS_OF_FORM = {
    1: replace(ANSWER, suspected_slips=tuple(replace(s, meant=(), meant_unit=None) for s in ANSWER.suspected_slips))
}
"""What an earlier form could not say."""


def test_what_is_stored_comes_back_the_same() -> None:
    kept = orjson.loads(
        orjson.dumps({"submission": submission_to_stored(SUBMISSION), "answer": orjson.loads(answer_to_json(ANSWER))})
    )

    assert submission_from_stored(kept["submission"]) == SUBMISSION
    assert answer_from_stored(kept["answer"]) == ANSWER


@pytest.mark.parametrize("form", range(1, STORED_FORM + 1))
def test_every_form_there_has_been_is_still_read(form: int) -> None:
    kept = orjson.loads((FROZEN / f"{form}.json").read_bytes())

    assert submission_from_stored(kept["submission"], form) == SUBMISSION
    assert answer_from_stored(kept["answer"], form) == AS_OF_FORM.get(form, ANSWER)


def test_what_is_written_is_the_form_that_is_frozen() -> None:
    """A change to what is written needs a new form, and a new file."""
    kept = orjson.loads((FROZEN / f"{STORED_FORM}.json").read_bytes())

    written = {"submission": submission_to_stored(SUBMISSION), "answer": orjson.loads(answer_to_json(ANSWER))}
    assert kept == orjson.loads(orjson.dumps(written))


def test_an_answer_that_took_a_reading_to_be_worth_an_infinity_is_still_read() -> None:
    assert ANSWER.next_reading is not None
    endless = replace(ANSWER, next_reading=replace(ANSWER.next_reading, expected_bits=float("inf")))
    kept = orjson.loads(answer_to_json(endless))
    assert kept["next_reading"]["expected_bits"] is None

    assert answer_from_stored(kept) == replace(ANSWER, next_reading=replace(ANSWER.next_reading, expected_bits=0.0))


def test_a_form_nobody_knows_is_not_guessed_at() -> None:
    with pytest.raises(ValueError, match="stored form"):
        answer_from_stored(orjson.loads(answer_to_json(ANSWER)), STORED_FORM + 1)


def test_numbers_of_the_engine_s_own_kind_can_be_stored() -> None:

    answer = replace(ANSWER, not_in_catalogue_probability=np.float64(0.25))

    assert orjson.loads(answer_to_json(answer))["not_in_catalogue_probability"] == 0.25


def members_left_out(value: Any, path: str = "") -> list[str]:
    """Members of the example that are at their defaults everywhere, so that the frozen file would not show them."""
    seen: dict[str, bool] = {}

    def walk(part: Any, name: str) -> None:
        if is_dataclass(part) and not isinstance(part, type):
            for field in fields(part):
                inner = getattr(part, field.name)
                key = f"{type(part).__name__}.{field.name}"
                seen[key] = seen.get(key, False) or inner not in (None, (), "")
                walk(inner, key)
        elif isinstance(part, tuple):
            for inner in part:
                walk(inner, name)

    walk(value, path)
    return [name for name, filled in seen.items() if not filled]


def test_the_examples_fill_every_member() -> None:
    assert members_left_out((SUBMISSION, ANSWER)) == []


def test_a_case_is_opened_as_it_is_found_afterwards(stores: PostgresStores) -> None:
    import_catalogue(stores, invented(), who="tests", why="")
    key = authenticate(stores, create_key(stores, Role.DESK, "front desk"))
    with stores.transaction() as transaction:
        opened = transaction.submissions.open(key.id, SUBMISSION, ANSWER, 1)
        assert transaction.submissions.find(opened.id) == opened
        review = transaction.reviews.open(
            new_review(opened.id, SUBMISSION, ReviewReason.AMBIGUOUS, DEFAULT_RULES, skill="KD")
        )
        assert transaction.submissions.find(opened.id) == replace(opened, review=review)
        assert transaction.reviews.find(review.id) == review


MANY_AT_ONCE = """
import json, sys, threading

sys.setswitchinterval(1e-6)  # so that threads meet where they seldom do
from service.adapters.stored_form import answer_from_stored, submission_from_stored

stored = json.load(sys.stdin)
together = threading.Barrier(8)

def read():
    together.wait()
    submission_from_stored(stored["submission"])
    answer_from_stored(stored["answer"])

threads = [threading.Thread(target=read) for _ in range(8)]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
"""


def test_the_first_to_be_read_in_a_process_may_be_read_by_many_threads_at_once() -> None:
    stored = {"submission": submission_to_stored(SUBMISSION), "answer": orjson.loads(answer_to_json(ANSWER))}
    for _ in range(4):
        done = subprocess.run(
            [sys.executable, "-c", MANY_AT_ONCE],
            input=orjson.dumps(stored),
            cwd=CHECKOUT,
            capture_output=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr

"""Cases that wait for a person, and people who take them, for the tests of the queue."""

from __future__ import annotations

from typing import Any

from tests.api.conftest import Caller

Json = dict[str, Any]

SCANT: Json = {
    "source": "web",
    "unit": "in",
    "readings": [{"feature": "journal_diameter", "position": "front", "values": ["0.7500"]}],
}
PART = "DFH-7WT"
SURE: Json = {"outcome": "part", "part_number": PART, "confidence": "sure", "reason": "The box turned up."}


def waiting(caller: Caller, **said: Any) -> Json:
    """A new case that waits for a person: the answer to its submission."""
    return caller.submit(SCANT | {"ask_person": True} | said)


def claimed(caller: Caller, answer: Json, **wish: Any) -> Json:
    """The review of a case, taken by `caller`."""
    response = caller.post("/v1/reviews/claim", {"review_id": answer["review"]["id"]} | wish)
    assert response.status_code == 200, response.get_data(as_text=True)
    review: Json = response.get_json()
    return review


def decided(caller: Caller, review_id: str, **said: Any) -> Json:
    """A review that `caller` holds, decided."""
    response = caller.post(f"/v1/reviews/{review_id}/decision", SURE | said)
    assert response.status_code == 200, response.get_data(as_text=True)
    review: Json = response.get_json()
    return review

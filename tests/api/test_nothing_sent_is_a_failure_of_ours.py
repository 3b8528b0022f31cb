"""Whatever a client sends as JSON is answered or refused, never a failure of ours."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from tests.api.conftest import SAMPLE, Caller

LEAVES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**25), 10**25),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
    st.sampled_from(["", "\x00", "1e5", "-0", "0.0", "in", "mm", "intake", "front", "crank", "bench", "lobe_height"]),
)
ANYTHING = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
SIZES = st.one_of(
    st.floats(1e-5, 99_999),
    st.floats(0.3, 2.0).map(lambda size: f"{size:.4f}"),
    st.decimals("0.00001", "99999", places=5).map(str),
    st.sampled_from(["1", "99999.99999999", ".5", "0.00001"]),
)
QUIETLY = [HealthCheck.function_scoped_fixture]


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Where every value inside a document is."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [path, *(place for key, child in inner for place in places(child, (*path, key)))]


def replaced(document: Any, path: tuple[Any, ...], value: Any) -> Any:
    """A copy of a document with another value in one place."""
    if not path:
        return value
    copy = dict(document) if isinstance(document, dict) else list(document)
    copy[path[0]] = replaced(copy[path[0]], path[1:], value)
    return copy


PLACES = places(SAMPLE)


@settings(max_examples=150, derandomize=True, suppress_health_check=QUIETLY)
@given(place=st.sampled_from(PLACES), value=ANYTHING)
@example(place=("readings", 0), value={"feature": "lobe_height", "lobe": "intake", "values": ["1"], "cylinder": 16})
@example(place=("readings", 1, "values"), value=["99999.99999999"] * 3)
@example(place=("readings", 1, "values"), value=[0.00001])
def test_a_submission_with_anything_anywhere(desk: Caller, place: tuple[Any, ...], value: Any) -> None:
    body = replaced(SAMPLE, place, value)

    response = desk.send("POST", "/v1/submissions", data=json.dumps(body), content_type="application/json")

    assert response.status_code in (201, 422), response.get_data(as_text=True)
    if response.status_code == 422:
        assert response.get_json()["errors"]


@settings(max_examples=20, derandomize=True, suppress_health_check=QUIETLY)
@given(sizes=st.lists(st.lists(SIZES, min_size=1, max_size=3), min_size=7, max_size=7))
def test_any_sizes_at_all_are_answered(desk: Caller, sizes: list[list[Any]]) -> None:
    """However little they hang together: the probabilities are numbers, and sum to one."""
    readings = [reading | {"values": values} for reading, values in zip(SAMPLE["readings"], sizes, strict=True)]

    answer = desk.submit(SAMPLE | {"readings": readings})

    listed = sum(candidate["probability"] for candidate in answer["candidates"])
    assert abs(listed + answer["not_in_catalogue_probability"] + answer["left_off_probability"] - 1) < 1e-4


@settings(max_examples=50, derandomize=True, suppress_health_check=QUIETLY)
@given(value=ANYTHING)
def test_anything_for_a_body(desk: Caller, value: Any) -> None:
    response = desk.send("POST", "/v1/submissions", data=json.dumps(value), content_type="application/json")

    assert response.status_code == 422


@settings(max_examples=60, derandomize=True, suppress_health_check=QUIETLY)
@given(
    name=st.sampled_from(["state", "limit", "cursor", "other"]),
    value=st.text(st.characters(exclude_categories=["Cs"]), max_size=30),
)
def test_anything_for_a_query(desk: Caller, name: str, value: str) -> None:
    response = desk.send("GET", "/v1/reviews", query_string={name: value})

    assert response.status_code in (200, 422)

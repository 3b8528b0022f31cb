"""What clients were promised is kept: nothing of openapi/released.txt is taken away, and nothing new is asked of them.

The rule: an operation, a parameter, a status, a field or a value of an enumeration that was released stays; a new field
of a request is optional. `python -m tests.house.test_compatibility > openapi/released.txt` writes it anew at a release.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parents[2] / "openapi"
Json = dict[str, Any]


def promises(document: Json) -> set[str]:
    """Each thing a client may rely on, a line each; a line that begins with `needs` is what is asked of the client."""
    found = set()
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            if method not in ("get", "post", "put", "patch", "delete"):
                continue
            name = f"{method.upper()} {path}"
            found.add(f"has {name}")
            for parameter in [*operations.get("parameters", ()), *operation.get("parameters", ())]:
                parameter = resolved(document, parameter)
                called = f"{name} {parameter['in']} {parameter['name']}"
                found.add(f"takes {called}")
                if parameter.get("required"):
                    found.add(f"needs {called}")
            body = resolved(document, operation.get("requestBody", {}))
            for kind, media in body.get("content", {}).items():
                for line in fields(document, media.get("schema", {}), "", ()):
                    verb, rest = line.split(" ", 1)
                    found.add(f"{'needs' if verb == 'needs' else 'takes'} {name} {kind} {rest}")
            for status, answer in operation["responses"].items():
                found.add(f"gives {name} {status}")
                if status.startswith("2"):
                    for media in resolved(document, answer).get("content", {}).values():
                        for line in fields(document, media.get("schema", {}), "", ()):
                            if line.startswith("has "):
                                found.add(f"gives {name} {status} {line[4:]}")
    return found


def resolved(document: Json, node: Json) -> Json:
    while "$ref" in node:
        found: Any = document
        for step in node["$ref"].removeprefix("#/").split("/"):
            found = found[step.replace("~1", "/").replace("~0", "~")]
        node = found
    return node


def fields(document: Json, node: Json, at: str, within: tuple[str, ...]) -> Iterator[str]:
    """The fields and values of a schema; one that holds itself is gone into once."""
    name = node.get("$ref", "")
    if name and name in within:
        return
    within = (*within, name) if name else within
    node = resolved(document, node)
    yield from (f"has {at} = {value}" for value in node.get("enum", ()))
    for called, each in node.get("properties", {}).items():
        yield f"has {at}/{called}"
        if called in node.get("required", ()):
            yield f"needs {at}/{called}"
        yield from fields(document, each, f"{at}/{called}", within)
    if isinstance(node.get("items"), dict):
        yield from fields(document, node["items"], f"{at}/*", within)
    for several in ("allOf", "anyOf", "oneOf"):
        for each in node.get(several, ()):
            yield from fields(document, each, at, within)


def current() -> set[str]:
    return promises(json.loads((FOLDER / "openapi.json").read_text()))


def broken(released: set[str], now: set[str]) -> list[str]:
    """What was promised and is not kept, and what is asked for of operations that did without."""
    operations = {line.removeprefix("has ") for line in released if line.startswith("has ")}
    asked = {line for line in now - released if line.startswith("needs ")}
    gone = {line for line in released - now if not line.startswith("needs ")}
    return sorted(gone | {line for line in asked if " ".join(line.split(" ")[1:3]) in operations})


def test_nothing_that_was_released_is_taken_away_and_nothing_new_is_asked_for() -> None:
    released = set((FOLDER / "released.txt").read_text().splitlines())
    assert len(released) > 1000
    assert broken(released, current()) == []


def test_a_field_taken_away_and_a_field_asked_for_are_both_seen() -> None:
    released = current()
    source = next(line for line in released if line.startswith("takes POST /v1/submissions ") and "= phone" in line)
    assert broken(released, released - {source}) == [source]
    new = "needs POST /v1/submissions application/json /shoe_size"
    assert broken(released, released | {new}) == [new]


if __name__ == "__main__":
    print("\n".join(sorted(current())))

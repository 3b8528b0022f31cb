"""What a client can do next with an answer, as links of the OpenAPI document; and a name for every operation.

The rule: what is made at a path and answered 201 has an `id`, which is the parameter of the paths below that one. What
follows another rule stands in `OTHER`. A link leads to every operation whose parameters are all known by then.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from flask import Flask

Json = dict[str, Any]

METHODS = ("get", "post", "put", "patch", "delete")

OTHER: dict[tuple[str, str], dict[str, str]] = {
    ("/v1/submissions", "post"): {"submission_id": "id"},
    ("/v1/submissions/{submission_id}/links", "post"): {"token": "token"},
    ("/v1/submissions/{submission_id}/letters", "post"): {"letter_id": "id"},
    ("/v1/reviews/claim", "post"): {"review_id": "id", "submission_id": "submission_id"},
    ("/v1/lift-tables", "post"): {"lift_tables_id": "kept/id"},
    ("/v1/catalogue/drafts/files", "post"): {"draft_id": "id"},
    ("/v1/catalogue/parts", "post"): {"part_number": "part_number"},
    ("/v1/catalogue/cores", "post"): {"code": "code"},
}
"""Which member of an answer is which parameter of other paths, where the rule does not say it."""


def name_and_link(document: Json, app: Flask) -> None:
    """Give every operation of `document` its `operationId`, and each answer that leads on its `links`."""
    _name(document, app)
    for path, item in document["paths"].items():
        for method in METHODS:
            if method in item:
                _link(document, path, method, item[method])


def _name(document: Json, app: Flask) -> None:
    for rule in app.url_map.iter_rules():
        item = document["paths"].get(re.sub("<(?:[^:>]+:)?([^>]+)>", r"{\1}", rule.rule), {})
        for method in rule.methods or ():
            if method.lower() in item:
                item[method.lower()]["operationId"] = rule.endpoint.replace(".", "_")


def _link(document: Json, path: str, method: str, operation: Json) -> None:
    status = next((status for status in ("201", "200") if status in operation["responses"]), "")
    told = OTHER.get((path, method)) or (_below(document, path) if status == "201" else {})
    if not told:
        return
    known = {name: f"$response.body#/{member}" for name, member in told.items()}
    known |= {name: f"$request.path.{name}" for name in _parameters(path)}
    links = {
        other["operationId"]: {"operationId": other["operationId"], "parameters": {name: known[name] for name in asked}}
        for other, asked in _operations(document)
        if asked and set(asked) <= known.keys() and told.keys() & set(asked)
    }
    if links:
        operation["responses"][status]["links"] = links


def _below(document: Json, path: str) -> dict[str, str]:
    """The parameter that the paths below this one begin with, which is the `id` of what is made here."""
    names = {found[1] for other in document["paths"] if (found := re.match(re.escape(path) + r"/\{(\w+_id)\}", other))}
    return dict.fromkeys(names, "id")


def _operations(document: Json) -> Iterator[tuple[Json, list[str]]]:
    for path, item in document["paths"].items():
        for method in METHODS:
            if method in item:
                yield item[method], _parameters(path)


def _parameters(path: str) -> list[str]:
    return re.findall(r"\{(\w+)\}", path)

"""The OpenAPI document: valid, served as it is committed, and true of the examples in it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from openapi_spec_validator import OpenAPIV31SpecValidator

from service.web.document import document_bytes
from tests.api.conftest import Caller

COMMITTED = Path(__file__).parents[2] / "openapi" / "openapi.json"
DOCUMENT: dict[str, Any] = json.loads(COMMITTED.read_text(encoding="utf-8"))

OPERATIONS = [
    (path, method, operation)
    for path, item in DOCUMENT["paths"].items()
    for method, operation in item.items()
    if method != "parameters"
]
NAMES = [f"{method.upper()} {path}" for path, method, _ in OPERATIONS]


def test_the_committed_document_is_what_the_code_makes(app: Flask) -> None:
    assert document_bytes(app) == COMMITTED.read_bytes(), "lobedesk openapi > openapi/openapi.json"


def test_the_service_serves_the_committed_document(nobody: Caller) -> None:
    assert nobody.get("/openapi.json").data == COMMITTED.read_bytes()


def test_it_is_valid_openapi_3_1() -> None:
    assert DOCUMENT["openapi"].startswith("3.1.")
    OpenAPIV31SpecValidator(DOCUMENT).validate()


MAY_COME_WITHOUT_A_BODY = {("/v1/reviews/claim", "post"), ("/v1/cases/{submission_id}/order", "post")}


def test_every_route_is_documented(app: Flask) -> None:
    routes = {
        (re.sub("<(?:[^:>]+:)?([^>]+)>", r"{\1}", rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        if rule.endpoint.partition(".")[0] != "pages"  # for people, and made from what is documented
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }

    assert {(path, method) for path, method, _ in OPERATIONS} == routes


@pytest.mark.parametrize(("path", "method", "operation"), OPERATIONS, ids=NAMES)
def test_an_operation_says_what_it_does_who_may_and_what_can_go_wrong(
    path: str, method: str, operation: dict[str, Any]
) -> None:
    statuses = set(operation["responses"])

    assert operation["summary"].endswith(".")
    assert "default" not in statuses
    if operation.get("security") != []:
        assert statuses >= {"401", "403", "429", "503"}
    if "requestBody" in operation:
        assert statuses >= {"400", "413", "415", "422"}
        assert operation["requestBody"]["required"] is ((path, method) not in MAY_COME_WITHOUT_A_BODY)


@pytest.mark.parametrize(("path", "method", "operation"), OPERATIONS, ids=NAMES)
def test_a_json_answer_is_left_open_for_more_members(path: str, method: str, operation: dict[str, Any]) -> None:
    """A field may be added to an answer, so no client may be told that there will be none."""
    for status, response in operation["responses"].items():
        schema = response.get("content", {}).get("application/json", {}).get("schema", {})
        if status.startswith("2") and "$ref" in schema:
            named = DOCUMENT["components"]["schemas"][schema["$ref"].rpartition("/")[2]]
            assert named["additionalProperties"] is True


def test_the_examples_of_a_submission_are_taken(desk: Caller) -> None:
    examples = DOCUMENT["paths"]["/v1/submissions"]["post"]["requestBody"]["content"]["application/json"]["examples"]
    additions = DOCUMENT["paths"]["/v1/submissions/{submission_id}/readings"]["post"]

    assert examples
    opened = [desk.submit(example["value"]) for example in examples.values()]
    for example in additions["requestBody"]["content"]["application/json"]["examples"].values():
        response = desk.post(f"/v1/submissions/{opened[0]['id']}/readings", example["value"])
        assert response.status_code == 200, response.get_data(as_text=True)


# -- what a linter would ask of it --------------------------------------------------------------------------------

IDS = [operation["operationId"] for _, _, operation in OPERATIONS]


def test_every_operation_has_a_name_of_its_own_and_one_described_tag() -> None:
    tags = {tag["name"] for tag in DOCUMENT["tags"] if tag["description"]}

    assert len(set(IDS)) == len(IDS)
    assert all(re.fullmatch("[a-z]+(_[a-z]+)*", name) for name in IDS)
    assert [operation["tags"] for _, _, operation in OPERATIONS if not set(operation["tags"]) <= tags] == []


def test_paths_and_members_are_written_alike() -> None:
    segments = {part for path in DOCUMENT["paths"] for part in path.split("/")[1:] if not part.startswith("{")}
    members = {name for schema in DOCUMENT["components"]["schemas"].values() for name in schema.get("properties", ())}

    assert [each for each in segments if not re.fullmatch(r"[a-z0-9]+([.-][a-z0-9]+)*", each)] == []
    assert [each for each in members if not re.fullmatch(r"[a-z0-9]+(_[a-z0-9]+)*", each)] == []


def test_every_schema_and_parameter_is_used() -> None:
    text = json.dumps(DOCUMENT)

    unused = [name for name in DOCUMENT["components"]["schemas"] if f'"#/components/schemas/{name}"' not in text]
    assert unused == []


def test_links_lead_from_members_there_are_to_operations_there_are() -> None:
    led = 0
    for path, _, operation in OPERATIONS:
        for answer in operation["responses"].values():
            for link in answer.get("links", {}).values():
                led += 1
                assert link["operationId"] in IDS
                for expression in link["parameters"].values():
                    place, _, name = expression.partition("#/")
                    if place == "$response.body":
                        schema = resolved(answer["content"]["application/json"]["schema"])
                        for step in name.split("/"):
                            schema = resolved(schema)["properties"][step]
                    else:
                        assert f"{{{expression.rpartition('.')[2]}}}" in path
    assert led > 50


def resolved(schema: dict[str, Any]) -> dict[str, Any]:
    """What a reference leads to; of several forms the first that has members."""
    if "$ref" in schema:
        return resolved(DOCUMENT["components"]["schemas"][schema["$ref"].rpartition("/")[2]])
    for one in (*schema.get("anyOf", ()), *schema.get("oneOf", ()), *schema.get("allOf", ())):
        if "properties" in (found := resolved(one)):
            return found
    return schema

"""The OpenAPI document arranged for reading; the template only lays it out."""

from __future__ import annotations

from typing import Any

import orjson

STYLE = """
:root { color-scheme: light dark; font: 16px/1.5 system-ui, sans-serif; }
body { max-width: 60rem; margin: 2rem auto; padding: 0 1rem; }
code, pre { font: 0.9em/1.4 ui-monospace, monospace; }
pre { overflow-x: auto; border: 1px solid #8886; padding: 0.6rem; }
table { border-collapse: collapse; width: 100%; margin: 0.5rem 0 1.5rem; }
th, td { text-align: left; vertical-align: top; border-bottom: 1px solid #8886; padding: 0.25rem 1rem 0.25rem 0; }
section { margin-top: 2.5rem; }
"""

Document = dict[str, Any]


def page_of(document: Document) -> dict[str, Any]:
    """What the page shows: `title`, `version`, `description`, `operations`, `schemas`."""
    return {
        "title": document["info"]["title"],
        "version": document["info"]["version"],
        "description": document["info"].get("description", "").split("\n\n"),
        "operations": [
            _operation(document, method, path, operation)
            for path, item in document["paths"].items()
            for method, operation in item.items()
            if method in ("get", "post", "put", "patch", "delete")
        ],
        "schemas": [_schema(name, schema) for name, schema in sorted(document["components"]["schemas"].items())],
    }


def _operation(document: Document, method: str, path: str, operation: Document) -> dict[str, Any]:
    shared = document["paths"][path].get("parameters", [])
    body = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
    examples = {name: each["value"] for name, each in body.get("examples", {}).items()}
    return {
        "method": method.upper(),
        "path": path,
        "summary": operation.get("summary", ""),
        "description": operation.get("description", ""),
        "open": operation.get("security") == [],
        "parameters": [
            {"name": p["name"], "in": p["in"], "type": type_of(p["schema"]), "description": p.get("description", "")}
            for p in (*shared, *operation.get("parameters", []))
        ],
        "body": type_of(body["schema"]) if "schema" in body else "",
        "examples": {
            name: orjson.dumps(value, option=orjson.OPT_INDENT_2).decode() for name, value in examples.items()
        },
        "responses": [_response(document, status, response) for status, response in operation["responses"].items()],
    }


def _response(document: Document, status: str, response: Document) -> dict[str, str]:
    if "$ref" in response:
        response = document["components"]["responses"][response["$ref"].rpartition("/")[2]]
    schemas = [content["schema"] for content in response.get("content", {}).values() if "schema" in content]
    return {
        "status": status,
        "description": response.get("description", ""),
        "type": ", ".join(type_of(schema) for schema in schemas),
    }


def _schema(name: str, schema: Document) -> dict[str, Any]:
    required = schema.get("required", [])
    return {
        "name": name,
        "members": [
            {
                "name": member,
                "required": member in required,
                "type": type_of(shape),
                "description": shape.get("description", ""),
            }
            for member, shape in schema.get("properties", {}).items()
        ],
    }


def type_of(schema: Document) -> str:
    """A schema in a few words: `array of Reading`, `"in" or "mm"`."""
    if "$ref" in schema:
        return str(schema["$ref"].rpartition("/")[2])
    for union in ("oneOf", "anyOf"):
        if union in schema:
            return " or ".join(type_of(each) for each in schema[union])
    if "enum" in schema:
        return " or ".join("null" if value is None else f'"{value}"' for value in schema["enum"])
    kinds = schema.get("type", "any")
    named = " or ".join(kinds) if isinstance(kinds, list) else str(kinds)
    return f"{named} of {type_of(schema['items'])}" if "items" in schema else named

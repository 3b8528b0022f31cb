"""The OpenAPI document: built from the routes, served by them, and committed as `openapi/openapi.json`."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any, cast

import flask_smorest
import orjson
from apispec.ext.marshmallow import MarshmallowPlugin
from flask import Flask
from flask_smorest.utils import prepare_response
from werkzeug.routing import PathConverter

from service.web.document_links import name_and_link
from service.web.fields import Variant
from service.web.problems import PROBLEM_TYPE, ProblemSchema

DESCRIPTION = """\
Names a camshaft from a few hand measurements. Send readings to `POST /v1/submissions`; the answer says which part
numbers fit and how surely, why, and what to measure next. Every part number, core and person in the examples is
invented.

Keys travel as `Authorization: Bearer KEY`; under `/v1/own-case` a return link's token takes a key's place. Errors are
problem details (RFC 9457) with a JSON Pointer for each field.
A request that the web server cannot even read (an endless header, a broken request line) gets that server's plain
page instead."""

BEARER = {"type": "http", "scheme": "bearer"}
LINK = "The token of a return link, which opens one case."


class Api(flask_smorest.Api):  # type: ignore[misc]
    """flask-smorest with our problem details and our fields."""

    ERROR_SCHEMA = ProblemSchema
    DEFAULT_ERROR_RESPONSE_NAME = None  # every problem is documented by its status instead

    def _register_error_handlers(self) -> None:
        """Left to `problems.register_problems`."""

    def _init_spec(self, **options: Any) -> None:
        plugin = MarshmallowPlugin(schema_name_resolver=_schema_name)
        super()._init_spec(marshmallow_plugin=plugin, **options)
        converter: Any = plugin.converter
        converter.add_attribute_function(variant2properties)

    def _register_responses(self) -> None:
        for status in HTTPStatus:
            response: dict[str, Any] = {"description": status.phrase}
            if status >= HTTPStatus.BAD_REQUEST:
                response["schema"] = self.ERROR_SCHEMA
            prepare_response(response, self.spec, PROBLEM_TYPE)
            self.spec.components.response(status.name, response, lazy=True)

    def _register_pagination_header(self) -> None:
        """Lists here are paged by cursor, without that header."""


class CoreCodeConverter(PathConverter):
    """A core's code, which may hold a slash; what ends as the address of its printed page does is that page."""

    regex = r"(?!.*/page\.pdf$)[^/].*?"


def variant2properties(converter: Any, field: Any, **_: Any) -> dict[str, Any]:
    """apispec's attribute function for `Variant`: `oneOf` with a discriminator."""
    if not isinstance(field, Variant):
        return {}
    refs = {tag: converter.resolve_nested_schema(schema) for tag, schema in field.variants.items()}
    mapping = {tag: ref["$ref"] for tag, ref in refs.items()}
    return {"oneOf": list(refs.values()), "discriminator": {"propertyName": field.tag, "mapping": mapping}}


def _schema_name(schema: Any) -> str:
    name: str = schema.__name__ if isinstance(schema, type) else type(schema).__name__
    return name.removesuffix("Schema")


def make_api(app: Flask, version: str) -> Api:
    """The documented API of `app`, with no routes yet."""
    app.config.update(
        API_TITLE="lobedesk",
        API_VERSION=version,
        OPENAPI_VERSION="3.1.1",
        API_SPEC_OPTIONS={
            "info": {"description": DESCRIPTION},
            "security": [{"key": []}],
            "components": {"securitySchemes": {"key": BEARER, "link": BEARER | {"description": LINK}}},
        },
    )
    app.url_map.converters["core_code"] = CoreCodeConverter
    api = Api(app)
    api.register_converter(CoreCodeConverter, lambda _converter, **_: {"type": "string"})
    return api


def openapi_document(app: Flask) -> dict[str, Any]:
    """The OpenAPI 3.1 document of `app`; every operation carries the problems any request can meet."""
    api = app.extensions["flask-smorest"]["apis"][""]["ext_obj"]
    document = cast(dict[str, Any], api.spec.to_dict())
    name_and_link(document, app)
    return document


def document_bytes(app: Flask) -> bytes:
    """The document as it is committed and served: indented, keys sorted, one newline at the end."""
    options = orjson.OPT_INDENT_2 | orjson.OPT_SORT_KEYS | orjson.OPT_APPEND_NEWLINE
    return orjson.dumps(openapi_document(app), option=options)

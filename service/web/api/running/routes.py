"""`/healthz`, `/readyz`, `/metrics`, `/openapi.json`, `/docs`: for whoever runs the service, or writes a client."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from functools import cache

import marshmallow as ma
from flask import Response, current_app, render_template

from service.web.api.running.page import STYLE, page_of
from service.web.blueprint import Blueprint
from service.web.document import document_bytes, openapi_document
from service.web.fields import AnswerSchema
from service.web.problems import problem_kinds
from service.web.replies import json_response
from service.workflows.readiness import Readiness

_OPEN: dict[str, list[str]] = {"security": []}
_STYLE_HASH = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode("ascii")


class HealthSchema(AnswerSchema):
    """The process is there."""

    status = ma.fields.String(required=True, validate=ma.validate.Equal("ok"))


class ReadySchema(AnswerSchema):
    """Whether answers can be given, and the state of everything they rest on."""

    ready = ma.fields.Boolean(required=True)
    parts = ma.fields.Dict(
        keys=ma.fields.String(),
        values=ma.fields.String(),
        required=True,
        metadata={
            "description": "Of `postgres`, `schema`, `catalogue` and `redis`: `ok`, or what is wrong. "
            "`webhook_secrets` is there where something is wrong with them."
        },
    )
    catalogue_revision = ma.fields.Integer(required=True, allow_none=True)


def running_blueprint(ready: Callable[[], Readiness], metrics: Callable[[], bytes]) -> Blueprint:
    """The routes for running it."""
    blueprint = Blueprint("running", __name__, description="Running it.", template_folder="templates")

    @blueprint.route("/healthz")
    @blueprint.doc(**_OPEN)
    @blueprint.response(200, HealthSchema())
    def healthz() -> Response:
        """Whether the process answers; touches nothing else."""
        return json_response({"status": "ok"})

    @blueprint.route("/readyz")
    @blueprint.doc(**_OPEN)
    @blueprint.response(200, ReadySchema())
    @blueprint.alt_response(503, schema=ReadySchema(), content_type="application/json")
    def readyz() -> Response:
        """Whether answers can be given: 200 while they can, naming what they have to do without."""
        now = ready()
        body = {"ready": now.ready, "parts": now.parts, "catalogue_revision": now.catalogue_revision}
        return json_response(body, 200 if now.ready else 503)

    @blueprint.route("/metrics")
    @blueprint.doc(**_OPEN)
    @blueprint.response(200, {"type": "string"}, content_type="text/plain")
    def show_metrics() -> Response:
        """Counters for Prometheus, in its text format."""
        return Response(metrics(), content_type="text/plain; version=0.0.4; charset=utf-8")

    @cache
    def document() -> bytes:
        return document_bytes(current_app)

    @blueprint.route("/openapi.json")
    @blueprint.doc(**_OPEN)
    @blueprint.response(200, {"type": "object"})
    def openapi_json() -> Response:
        """This document."""
        return Response(document(), content_type="application/json")

    @cache
    def page() -> str:
        return render_template(
            "docs.html", style=STYLE, kinds=problem_kinds(), **page_of(openapi_document(current_app))
        )

    @blueprint.route("/docs")
    @blueprint.doc(**_OPEN)
    @blueprint.response(200, {"type": "string"}, content_type="text/html")
    def docs() -> Response:
        """This document as a page for reading."""
        response = Response(page(), content_type="text/html; charset=utf-8")
        response.headers["Content-Security-Policy"] = (
            f"default-src 'none'; style-src 'sha256-{_STYLE_HASH}'; base-uri 'none'; form-action 'none'; "
            "frame-ancestors 'none'"
        )
        return response

    return blueprint

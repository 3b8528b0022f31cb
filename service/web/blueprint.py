"""The blueprint every JSON route is hung on: strict parsing, faults with pointers, typed decorators."""

from __future__ import annotations

import json
from collections.abc import Callable
from http import HTTPStatus
from typing import Any, NoReturn, TypeVar, cast

import flask
import flask_smorest
import marshmallow as ma
import orjson
from webargs.flaskparser import FlaskParser
from werkzeug.exceptions import BadRequest, RequestEntityTooLarge, UnsupportedMediaType

from service.spans import span
from service.web.problems import InvalidRequest, faults_of_messages

View = TypeVar("View", bound=Callable[..., Any])


class BodyMayBeLeftOut(ma.Schema):
    """Base of a body of which every member may be left out, and so the whole of it."""


_LOOKED_THROUGH = 262_144
"""Bodies up to this size are looked through for names that come twice: a catalogue's would take a second."""


def _each_once(members: list[tuple[str, object]]) -> dict[str, object]:
    """An object; refused where a name comes twice, of which a parser keeps the last without a word (RFC 7493, 2.3)."""
    read = dict(members)
    if len(read) < len(members):
        twice = next(name for i, (name, _) in enumerate(members) if any(name == other for other, _ in members[:i]))
        raise BadRequest(f"The body has the name {json.dumps(twice)[:80]} twice in one object; give it once.")
    return read


class StrictParser(FlaskParser):
    """JSON by orjson, which refuses NaN, 1e400, lone surrogates and endless nesting; unknown query names refused."""

    DEFAULT_UNKNOWN_BY_LOCATION = {**FlaskParser.DEFAULT_UNKNOWN_BY_LOCATION, "query": ma.RAISE}  # noqa: RUF012

    def parse(self, *args: Any, **options: Any) -> Any:
        """Read one part of a request through a schema."""
        with span("validation"):
            return super().parse(*args, **options)

    def _raw_load_json(self, req: flask.Request) -> Any:
        if req.mimetype != "application/json":
            raise UnsupportedMediaType("The body must be JSON, sent as Content-Type: application/json.")
        body = req.get_data(cache=True)
        # werkzeug cuts a body that does not state its length off at the limit, without a word
        if req.content_length is None and req.max_content_length is not None and len(body) >= req.max_content_length:
            raise RequestEntityTooLarge
        try:
            read = orjson.loads(body)
            if len(body) <= _LOOKED_THROUGH:
                json.loads(body, object_pairs_hook=_each_once, parse_int=len, parse_float=len)
            return read
        except RecursionError:
            raise BadRequest("The body is nested too deeply.") from None
        except orjson.JSONDecodeError as error:
            raise BadRequest(f"The body is not JSON this service reads: {error}.") from None

    def load_json(self, req: flask.Request, schema: ma.Schema) -> Any:
        """The body; an empty object where there is none at all and the schema is one that may be left out."""
        if isinstance(schema, BodyMayBeLeftOut) and not req.get_data(cache=True):
            return {}
        return super().load_json(req, schema)

    def handle_error(self, error: ma.ValidationError, *_: Any, **__: Any) -> NoReturn:
        """Turn marshmallow's messages into faults with pointers."""
        raise InvalidRequest(faults_of_messages(cast(dict[str, Any], error.messages))) from None


class Blueprint(flask_smorest.Blueprint):  # type: ignore[misc]
    """A documented blueprint. Its audience is declared in `register.py`, not here.

    Give `arguments` and `response` schema instances: a class would be instantiated at each request.
    """

    ARGUMENTS_PARSER = StrictParser()

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._prepare_doc_cbks.append(self._prepare_common_problems_doc)

    def _prepare_common_problems_doc(self, doc: dict[str, Any], doc_info: dict[str, Any], **_: Any) -> dict[str, Any]:
        """Document what any operation of its sort can meet: keys, stores, unreadable bodies."""
        if doc_info.get("joining_parameters"):
            doc.setdefault("parameters", []).extend(doc_info["joining_parameters"])
        statuses: list[int] = []
        if doc_info.get("manual_doc", {}).get("security") != []:
            statuses += [401, 403, 429, 503]
        if "requestBody" in doc:
            statuses += [400, 413, 415]
        for status in statuses:
            doc.setdefault("responses", {}).setdefault(str(status), HTTPStatus(status).name)
        return doc

    def route(self, rule: str, **options: Any) -> Callable[[View], View]:
        """Hang a view on a rule."""
        return cast(Callable[[View], View], super().route(rule, **options))

    def arguments(self, schema: ma.Schema, **options: Any) -> Callable[[View], View]:
        """Read the body, or with `location="query"` the query, through a schema; the view gets the result."""
        return cast(Callable[[View], View], super().arguments(schema, **options))

    def response(self, status: int, schema: Any = None, **options: Any) -> Callable[[View], View]:
        """Document what the view answers; views return a ready `Response`."""
        return cast(Callable[[View], View], super().response(status, schema, **options))

    def alt_response(self, status: int, **options: Any) -> Callable[[View], View]:
        """Document another answer of the view."""
        return cast(Callable[[View], View], super().alt_response(status, **options))

    def problems(self, *statuses: int) -> Callable[[View], View]:
        """Document the problems a view can answer with, beside those that any of its sort can meet."""

        def decorate(view: View) -> View:
            for status in statuses:
                view = self.alt_response(status, response=HTTPStatus(status).name)(view)
            return view

        return decorate

    @staticmethod
    def doc(**options: Any) -> Callable[[View], View]:
        """Add to a view's documentation as it stands; `parameters` join those that a schema brings."""
        parameters = options.pop("parameters", [])
        document = flask_smorest.Blueprint.doc(**options)

        def decorate(view: View) -> View:
            documented = document(view)
            documented._apidoc.setdefault("joining_parameters", []).extend(parameters)
            return cast(View, documented)

        return decorate

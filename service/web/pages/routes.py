"""Serves the pages' files, each under a content policy that lets in nothing but what this service serves itself."""

from __future__ import annotations

from pathlib import Path

import flask
from flask import Response, request
from werkzeug.exceptions import NotFound
from werkzeug.security import safe_join

STATIC = Path(__file__).parent / "static"
PAGES = ("desk", "widget", "guide", "return")
"""Folders with an `index.html`; `shared` has none."""

TYPES = {
    ".css": "text/css; charset=utf-8",
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".json": "application/json",
    ".txt": "text/plain; charset=utf-8",
}
"""What may lie there, and how it is sent; nothing else is."""

POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
"""Content-Security-Policy of every page: no inline script or style, no third party, no frame round it."""


def pages_blueprint() -> flask.Blueprint:
    """The pages, for anybody: they show nothing until somebody gives them a key."""
    blueprint = flask.Blueprint("pages", __name__)

    def index(room: str) -> Response:
        return _file(room, "index.html")

    def home() -> Response:
        if request.accept_mimetypes.best_match(["application/json", "text/html"]) != "text/html":
            raise NotFound  # a program has nothing to look for here
        response = _file("home", "index.html")
        response.vary.add("Accept")
        return response

    blueprint.add_url_rule("/", "home_page", home)
    for room in PAGES:
        blueprint.add_url_rule(f"/{room}/", f"{room}_page", index, defaults={"room": room})
    for room in (*PAGES, "shared"):
        blueprint.add_url_rule(f"/{room}/<path:name>", f"{room}_file", _file, defaults={"room": room})
    return blueprint


def _file(room: str, name: str) -> Response:
    path = safe_join(str(STATIC / room), name)
    if path is None or not Path(path).is_file() or Path(path).suffix not in TYPES:
        raise NotFound
    response = Response(Path(path).read_bytes(), content_type=TYPES[Path(path).suffix])
    response.add_etag()
    headers = response.headers
    headers["Content-Security-Policy"] = POLICY
    headers["Referrer-Policy"] = "same-origin"
    headers["Cache-Control"] = "no-cache"  # asked for again each time, and answered 304 by its ETag
    if room in ("widget", "shared"):
        headers["Access-Control-Allow-Origin"] = "*"  # a store's page loads the widget's modules from here
    response.make_conditional(request)
    return response

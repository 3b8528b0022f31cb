"""Drawings over HTTP."""

from __future__ import annotations

from flask import Response

SVG_TYPE = "image/svg+xml"


def drawing_response(svg: str) -> Response:
    """A drawing, which may load and run nothing wherever it is opened."""
    response = Response(svg, content_type=SVG_TYPE)
    response.headers["Content-Security-Policy"] = "default-src 'none'; style-src 'unsafe-inline'"
    return response

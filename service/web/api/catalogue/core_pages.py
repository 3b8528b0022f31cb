"""The route for printable catalogue pages."""

from __future__ import annotations

from flask import Response

from service.web.api.catalogue.routes import PREFIX, revision_etag
from service.web.blueprint import Blueprint
from service.web.replies import ETAG_HEADER, IF_NONE_MATCH_PARAMETER, unless_unchanged
from service.workflows.catalogue.catalogue_pages import page_of_core
from service.workflows.catalogue.read_catalogue import active_number
from service.workflows.desk import Desk

PDF_TYPE = "application/pdf"


def catalogue_pages_blueprint(desk: Desk) -> Blueprint:
    """The route for a core's page."""
    blueprint = Blueprint("catalogue_pages", __name__, url_prefix=PREFIX, description="The catalogue to be printed.")

    @blueprint.route("/cores/<path:core>/page.pdf", methods=["GET"])
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, {"type": "string", "format": "binary"}, content_type=PDF_TYPE, headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    @blueprint.problems(404)
    def read_page(core: str) -> Response:
        """A core's page to print: its journals and every grind's measuring values, in inches and millimetres."""
        number = active_number(desk.stores)

        def make() -> Response:
            return Response(page_of_core(desk.stores, number, core), mimetype=PDF_TYPE)

        return unless_unchanged(revision_etag(number), make)

    return blueprint

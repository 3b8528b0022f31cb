"""The routes that change one part or one core: each makes a new revision of the whole catalogue."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import quote

from flask import Response

from service.catalogue_files.edits import Edit, put_core, put_part, take_out_core, take_out_part
from service.catalogue_files.written import core_json, part_json
from service.domain.catalogue import Catalogue, Core, Part
from service.web.access import caller
from service.web.api.catalogue.edit_schemas import (
    CORE_EXAMPLE,
    PART_EXAMPLE,
    CoreEditSchema,
    EditedCoreSchema,
    EditedPartSchema,
    EditQuery,
    PartEditSchema,
)
from service.web.api.catalogue.routes import PREFIX, revision_etag
from service.web.api.catalogue.schemas import RevisionSchema
from service.web.api.catalogue.shown import Json, revision_json
from service.web.blueprint import Blueprint
from service.web.replies import (
    ETAG_HEADER,
    IDEMPOTENCY_PARAMETER,
    IF_MATCH_PARAMETER,
    LOCATION_HEADER,
    answer_once,
    check_if_match,
    json_reply,
    require_if_match,
)
from service.workflows.catalogue.edit_catalogue import edit_catalogue
from service.workflows.desk import Desk
from service.workflows.ports.catalogue import CatalogueRevision
from service.workflows.ports.stores import Reply, Transaction

IF_MATCH_NEEDED = IF_MATCH_PARAMETER | {
    "description": "The ETag that the catalogue was read under: 428 without it, 412 where another revision is active."
}

Change = Callable[[Catalogue], Edit]
Check = Callable[[str], None]
Answer = Callable[[CatalogueRevision, Edit], Reply]


def catalogue_editing_blueprint(desk: Desk) -> Blueprint:
    """The routes for adding, changing and taking out one part or core."""
    blueprint = Blueprint("catalogue_editing", __name__, url_prefix=PREFIX, description="One part or core changed.")

    def publish(change: Change, why: str, check: Check, reply: Answer) -> Response:
        def work(transaction: Transaction) -> Reply:
            def same(number: int) -> None:
                check(revision_etag(number))

            return reply(*edit_catalogue(transaction, change, same, who=caller().name, why=why))

        return answer_once(desk.stores, work)

    @blueprint.route("/parts", methods=["POST"])
    @blueprint.arguments(PartEditSchema(), example=PART_EXAMPLE)
    @blueprint.arguments(EditQuery(), location="query")
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER])
    @blueprint.response(201, EditedPartSchema(), headers=LOCATION_HEADER | ETAG_HEADER)
    @blueprint.problems(409, 412, 422)
    def add_part(stated: Part, query: dict[str, Any]) -> Response:
        """Add a part; a new revision with it becomes the active one."""
        return publish(lambda whole: put_part(whole, stated), query["reason"], check_if_match, _part_added)

    @blueprint.route("/parts/<path:part_number>", methods=["PUT"])
    @blueprint.arguments(PartEditSchema(), example=PART_EXAMPLE)
    @blueprint.arguments(EditQuery(), location="query")
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_NEEDED])
    @blueprint.response(200, EditedPartSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 422, 428)
    def change_part(stated: Part, query: dict[str, Any], part_number: str) -> Response:
        """Put a part in the place of the one there is; a new revision with it becomes the active one.

        What was read may be sent back with changes in it; without any, no revision is made. A discontinued part is
        not sold any more and still identified.
        """
        return publish(
            lambda whole: put_part(whole, stated, part_number), query["reason"], require_if_match, _part_changed
        )

    @blueprint.route("/parts/<path:part_number>", methods=["DELETE"])
    @blueprint.arguments(EditQuery(), location="query")
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_NEEDED])
    @blueprint.response(200, RevisionSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 428)
    def remove_part(query: dict[str, Any], part_number: str) -> Response:
        """Take out a part that should never have been there: it is identified no more.

        One that is only no longer sold is set to `discontinued` or `superseded` instead.
        """
        return publish(lambda whole: take_out_part(whole, part_number), query["reason"], require_if_match, _taken_out)

    @blueprint.route("/cores", methods=["POST"])
    @blueprint.arguments(CoreEditSchema(), example=CORE_EXAMPLE)
    @blueprint.arguments(EditQuery(), location="query")
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_PARAMETER])
    @blueprint.response(201, EditedCoreSchema(), headers=LOCATION_HEADER | ETAG_HEADER)
    @blueprint.problems(409, 412, 422)
    def add_core(stated: Core, query: dict[str, Any]) -> Response:
        """Add a core; a new revision with it becomes the active one."""
        return publish(lambda whole: put_core(whole, stated), query["reason"], check_if_match, _core_added)

    @blueprint.route("/cores/<core_code:code>", methods=["PUT"])
    @blueprint.arguments(CoreEditSchema(), example=CORE_EXAMPLE)
    @blueprint.arguments(EditQuery(), location="query")
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_NEEDED])
    @blueprint.response(200, EditedCoreSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 422, 428)
    def change_core(stated: Core, query: dict[str, Any], code: str) -> Response:
        """Put a core in the place of the one there is; a new revision with it becomes the active one."""
        return publish(lambda whole: put_core(whole, stated, code), query["reason"], require_if_match, _core_changed)

    @blueprint.route("/cores/<core_code:code>", methods=["DELETE"])
    @blueprint.arguments(EditQuery(), location="query")
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER, IF_MATCH_NEEDED])
    @blueprint.response(200, RevisionSchema(), headers=ETAG_HEADER)
    @blueprint.problems(404, 409, 412, 428)
    def remove_core(query: dict[str, Any], code: str) -> Response:
        """Take out a core that no part is on."""
        return publish(lambda whole: take_out_core(whole, code), query["reason"], require_if_match, _taken_out)

    return blueprint


def _quoted(made: CatalogueRevision) -> str:
    return f'"{revision_etag(made.number)}"'


def _part_shown(made: CatalogueRevision, edit: Edit) -> Json:
    part = next(one for one in edit.whole.parts if one.part_number == edit.name)
    return {"catalogue_revision": made.number} | part_json(part) | {"warnings": _warnings(edit)}


def _part_added(made: CatalogueRevision, edit: Edit) -> Reply:
    location = f"{PREFIX}/parts/{quote(edit.name)}"
    return json_reply(_part_shown(made, edit), 201, Location=location, ETag=_quoted(made))


def _part_changed(made: CatalogueRevision, edit: Edit) -> Reply:
    return json_reply(_part_shown(made, edit), ETag=_quoted(made))


def _core_shown(made: CatalogueRevision, edit: Edit) -> Json:
    core = next(one for one in edit.whole.cores if one.code == edit.name)
    return {"catalogue_revision": made.number} | core_json(core) | {"warnings": _warnings(edit)}


def _core_added(made: CatalogueRevision, edit: Edit) -> Reply:
    location = f"{PREFIX}/cores/{quote(edit.name)}"
    return json_reply(_core_shown(made, edit), 201, Location=location, ETag=_quoted(made))


def _core_changed(made: CatalogueRevision, edit: Edit) -> Reply:
    return json_reply(_core_shown(made, edit), ETag=_quoted(made))


def _taken_out(made: CatalogueRevision, _: Edit) -> Reply:
    return json_reply(revision_json(made), ETag=_quoted(made))


def _warnings(edit: Edit) -> list[Json]:
    return [{"pointer": doubt.pointer, "detail": doubt.detail} for doubt in edit.doubts]

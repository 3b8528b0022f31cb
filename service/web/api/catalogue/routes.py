"""The catalogue's routes: reading it, and putting a new revision in its place."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar
from uuid import UUID

from flask import Response, request

from service import __version__
from service.catalogue_files import Checked
from service.catalogue_files.written import core_json, part_json, written_csv, written_json
from service.domain.errors import Fault, NotFound
from service.domain.readings import Instrument
from service.domain.units import LengthUnit
from service.identification.look_alikes.look_alike_map import Kit
from service.web.access import caller
from service.web.api.catalogue.edit_schemas import CoreOfRevisionSchema
from service.web.api.catalogue.revision_schemas import (
    DifferenceQuery,
    DifferenceSchema,
    RestoreQuery,
    WholeCatalogueSchema,
)
from service.web.api.catalogue.schemas import (
    AS_STATED,
    CorePageSchema,
    CoresQuery,
    ImportQuery,
    ImportReportSchema,
    LookAlikePageSchema,
    LookAlikesQuery,
    PartPageSchema,
    PartSchema,
    PartsQuery,
    RevisionPageSchema,
    RevisionSchema,
    RevisionsQuery,
    UnitQuery,
)
from service.web.api.catalogue.shown import Json, difference_json, look_alike_json, report_json, revision_json
from service.web.api.catalogue.upload import EXAMPLE, CatalogueUploadSchema
from service.web.blueprint import Blueprint
from service.web.replies import (
    ETAG_HEADER,
    IDEMPOTENCY_PARAMETER,
    IF_NONE_MATCH_PARAMETER,
    JSON_TYPE,
    LOCATION_HEADER,
    answer_once,
    decode_cursor,
    encode_cursor,
    json_reply,
    json_response,
    unless_unchanged,
)
from service.workflows.catalogue.import_catalogue import ImportReport, add_revision, work_out
from service.workflows.catalogue.read_catalogue import (
    Mark,
    Page,
    PartsWanted,
    active_number,
    find_core,
    find_part,
    find_revision,
    list_cores,
    list_parts,
    list_revisions,
    page_of_look_alikes,
)
from service.workflows.catalogue.revisions import compare_revisions, restore_revision, whole_revision
from service.workflows.desk import Desk
from service.workflows.ports.stores import Reply, Transaction

PREFIX = "/v1/catalogue"

NOTHING_DIFFERS = "No revision was made: nothing differs from the active one."

Item = TypeVar("Item")


def catalogue_blueprint(desk: Desk) -> Blueprint:
    """The routes for reading the catalogue."""
    blueprint = Blueprint("catalogue", __name__, url_prefix=PREFIX, description="What is sold, and what looks alike.")

    @blueprint.route("/parts", methods=["GET"])
    @blueprint.arguments(PartsQuery(), location="query")
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, PartPageSchema(), headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    def list_all_parts(query: dict[str, Any]) -> Response:
        """Part numbers, in the supplier's order.

        The pages of one list stay in the revision it began in.
        """
        wanted = PartsWanted(query["core"], query["status"], query["q"])
        page = list_parts(desk.stores, wanted, _mark(query["cursor"]), query["limit"])
        return _page(page, query["unit"], lambda part: part_json(part, query["unit"]))

    @blueprint.route("/parts/<path:part_number>", methods=["GET"])
    @blueprint.arguments(UnitQuery(), location="query")
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, PartSchema(), headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    @blueprint.problems(404)
    def read_part(query: dict[str, Any], part_number: str) -> Response:
        """One part number, as stated."""
        revision, part = find_part(desk.stores, part_number)
        shown = {"catalogue_revision": revision} | part_json(part, query["unit"])
        return unless_unchanged(revision_etag(revision), lambda: json_response(shown))

    @blueprint.route("/cores", methods=["GET"])
    @blueprint.arguments(CoresQuery(), location="query")
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, CorePageSchema(), headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    def list_all_cores(query: dict[str, Any]) -> Response:
        """Cores, in the supplier's order."""
        page = list_cores(desk.stores, _mark(query["cursor"]), query["limit"])
        return _page(page, query["unit"], lambda core: core_json(core, query["unit"]))

    @blueprint.route("/cores/<core_code:code>", methods=["GET"])
    @blueprint.arguments(UnitQuery(), location="query")
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, CoreOfRevisionSchema(), headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    @blueprint.problems(404)
    def read_core(query: dict[str, Any], code: str) -> Response:
        """One core, as stated."""
        revision, core = find_core(desk.stores, code)
        shown = {"catalogue_revision": revision} | core_json(core, query["unit"])
        return unless_unchanged(revision_etag(revision), lambda: json_response(shown))

    @blueprint.route("/look-alikes", methods=["GET"])
    @blueprint.arguments(LookAlikesQuery(), location="query")
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, LookAlikePageSchema(), headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    def list_look_alikes(query: dict[str, Any]) -> Response:
        """Parts that a kit of tools cannot tell apart, and the cheapest thing that can.

        For a caliper and the usual rate the map is kept with the revision; another is worked out when asked for.
        """
        tools = frozenset(Instrument(name) for name in query["tools"].split(","))
        kit = Kit(tools, query["error_rate"])
        page, version = page_of_look_alikes(desk.stores, desk.look_alikes, kit, _mark(query["cursor"]), query["limit"])
        return _page(page, query["unit"], lambda pair: look_alike_json(pair, query["unit"]), version)

    @blueprint.route("/revisions", methods=["GET"])
    @blueprint.arguments(RevisionsQuery(), location="query")
    @blueprint.response(200, RevisionPageSchema())
    def list_all_revisions(query: dict[str, Any]) -> Response:
        """Every import of the catalogue, newest first."""
        before = None if query["cursor"] is None else decode_cursor(query["cursor"]).int
        found, last = list_revisions(desk.stores, before, query["limit"])
        cursor = None if last is None else encode_cursor(UUID(int=last))
        return json_response({"items": [revision_json(revision) for revision in found], "next_cursor": cursor})

    @blueprint.route("/revisions/<int:revision>", methods=["GET"])
    @blueprint.response(200, RevisionSchema())
    @blueprint.problems(404)
    def read_revision(revision: int) -> Response:
        """One import of the catalogue."""
        return json_response(revision_json(find_revision(desk.stores, revision)))

    @blueprint.route("/revisions/<int:revision>/difference", methods=["GET"])
    @blueprint.arguments(DifferenceQuery(), location="query")
    @blueprint.response(200, DifferenceSchema())
    @blueprint.problems(404)
    def read_difference(query: dict[str, Any], revision: int) -> Response:
        """What became of the catalogue from another revision, the one before unless it is named, to this one."""
        start = revision - 1 if query["since"] is None else query["since"]
        return json_response(difference_json(start, revision, compare_revisions(desk.stores, start, revision)))

    @blueprint.route("/export", methods=["GET"])
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, WholeCatalogueSchema(), headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    def export() -> Response:
        """The active revision as JSON, as it can be imported; the same revision gives the same bytes."""
        number = active_number(desk.stores)

        def make() -> Response:
            return Response(written_json(whole_revision(desk.stores, number)), mimetype=JSON_TYPE)

        return unless_unchanged(revision_etag(number), make)

    @blueprint.route("/export/<string:sheet>", methods=["GET"])
    @blueprint.doc(parameters=[IF_NONE_MATCH_PARAMETER])
    @blueprint.response(200, {"type": "string"}, content_type="text/csv", headers=ETAG_HEADER)
    @blueprint.alt_response(304, description="Unchanged.", headers=ETAG_HEADER)
    @blueprint.problems(404, 422)
    def export_sheet(sheet: str) -> Response:
        """A sheet of the active revision as CSV: `cores.csv`, `parts.csv`, or `lift_tables.csv` where there are any."""
        number = active_number(desk.stores)

        def make() -> Response:
            text = written_csv(whole_revision(desk.stores, number)).get(sheet)
            if text is None:
                raise NotFound("The catalogue has no such sheet.")
            return Response(text, mimetype="text/csv")

        return unless_unchanged(revision_etag(number), make)

    return blueprint


def catalogue_import_blueprint(desk: Desk, body_limit: int) -> Blueprint:
    """The route for a new revision; its body may be longer than others', up to `body_limit` bytes."""
    blueprint = Blueprint("catalogue_import", __name__, url_prefix=PREFIX, description="A new catalogue.")

    def allow_long_body() -> None:
        request.max_content_length = body_limit

    blueprint.before_request(allow_long_body)

    @blueprint.route("/revisions", methods=["POST"])
    @blueprint.arguments(CatalogueUploadSchema(), example=EXAMPLE)
    @blueprint.arguments(ImportQuery(), location="query")
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(201, ImportReportSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(409, 422)
    @blueprint.alt_response(200, schema=ImportReportSchema(), description=f"{NOTHING_DIFFERS} Or it was a dry run.")
    def import_one(checked: Checked, query: dict[str, Any]) -> Response:
        """Put a whole catalogue in the place of the one there is, or nothing at all.

        Every fault is named by its JSON Pointer. What is only doubtful is told, and taken. Where nothing differs from
        the active revision none is made, and no case is asked again.
        """
        ready = work_out(desk.stores, checked.taken())
        if query["dry_run"] == "true":
            return json_response(report_json(ready.report, query["unit"], checked.doubts))

        def work(transaction: Transaction) -> Reply:
            report = add_revision(transaction, ready, who=caller().name, why=query["reason"])
            return imported(report, query["unit"], checked.doubts)

        return answer_once(desk.stores, work)

    @blueprint.route("/revisions/<int:revision>/restore", methods=["POST"])
    @blueprint.arguments(RestoreQuery(), location="query")
    @blueprint.doc(parameters=[IDEMPOTENCY_PARAMETER])
    @blueprint.response(201, RevisionSchema(), headers=LOCATION_HEADER)
    @blueprint.problems(404, 409)
    def restore(query: dict[str, Any], revision: int) -> Response:
        """Go back to an older revision: its cores and parts become a new revision, and that the active one.

        So it is on record who went back, when and why, and no answer's revision ever means two things.
        """

        def work(transaction: Transaction) -> Reply:
            made = restore_revision(transaction, revision, who=caller().name, why=query["reason"])
            return json_reply(revision_json(made), 201, Location=f"{PREFIX}/revisions/{made.number}")

        return answer_once(desk.stores, work)

    return blueprint


def imported(report: ImportReport, unit: LengthUnit, doubts: tuple[Fault, ...]) -> Reply:
    """What is answered to an import: 201, or 200 where no revision was made; and where the active one is."""
    location = f"{PREFIX}/revisions/{report.revision}"
    return json_reply(report_json(report, unit, doubts), 201 if report.made else 200, Location=location)


def _mark(cursor: str | None) -> Mark | None:
    """A cursor holds the revision and the place, eight bytes each."""
    if cursor is None:
        return None
    revision, place = divmod(decode_cursor(cursor).int, 2**64)
    return Mark(revision, place)


def revision_etag(revision: int) -> str:
    """A revision is never changed, so it and the code that shows it are all an address's answer depends on."""
    return f"{revision}-{__version__}"


def _page(
    page: Page[Item], unit: LengthUnit | None, show: Callable[[Item], Json], under: str | None = None
) -> Response:
    """A page as it is sent; `under` names what it rests on besides the revision, if anything."""
    cursor = None if page.end is None else encode_cursor(UUID(int=page.end.revision * 2**64 + page.end.place))

    def make() -> Response:
        return json_response(
            {
                "catalogue_revision": page.revision,
                "unit": AS_STATED if unit is None else unit.value,
                "items": [show(item) for item in page.items],
                "next_cursor": cursor,
            }
        )

    etag = revision_etag(page.revision)
    return unless_unchanged(etag if under is None else f"{etag}-{under}", make)

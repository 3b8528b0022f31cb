"""The route for faults of the catalogue found by measuring."""

from __future__ import annotations

from typing import Any

import marshmallow as ma
from flask import Response

from service.documents.catalogue_fault_text import CAUTIONS, RULE, finding_words, target_words
from service.domain.readings import Feature, Instrument, LobeKind, Position
from service.domain.units import LengthUnit
from service.identification.learning.catalogue_faults import Finding, Verdict
from service.web.blueprint import Blueprint
from service.web.fields import AnswerSchema, DecimalText
from service.web.replies import json_response
from service.workflows.desk import Desk
from service.workflows.learning.catalogue_faults import FaultsFound, report_on_faults

Json = dict[str, Any]


def _size(description: str) -> DecimalText:
    return DecimalText(required=True, metadata={"description": description})


class FaultsQuery(ma.Schema):
    """In which unit, and how much."""

    unit = ma.fields.Enum(LengthUnit, by_value=True, load_default=LengthUnit.INCH)
    verdict = ma.fields.Enum(
        Verdict, by_value=True, load_default=None, metadata={"description": "Only what was found so."}
    )


class CatalogueFaultWitnessSchema(AnswerSchema):
    """One confirmed shaft's reading."""

    case = ma.fields.UUID(required=True)
    reference = ma.fields.String(required=True)
    instrument = ma.fields.Enum(Instrument, by_value=True, required=True)
    measured = _size("As measured; a lift as the difference of its widths.")
    corrected = _size("Less what is expected of tool, hand, making and wear.")
    standard_deviation = _size("Of one such shaft.")
    outlying = ma.fields.Boolean(
        required=True, metadata={"description": "So far out that it counts no more than a lesser oddity would."}
    )


class CatalogueFaultSchema(AnswerSchema):
    """What the shafts say of one printed nominal."""

    feature = ma.fields.Enum(Feature, by_value=True, required=True)
    core = ma.fields.String(required=True)
    part_number = ma.fields.String(required=True, allow_none=True)
    lobe = ma.fields.Enum(LobeKind, by_value=True, required=True, allow_none=True)
    position = ma.fields.Enum(Position, by_value=True, required=True, allow_none=True)
    verdict = ma.fields.Enum(Verdict, by_value=True, required=True)
    printed = _size("The nominal.")
    estimate = _size("What the shafts say it is.")
    difference = _size("Estimate less nominal.")
    standard_uncertainty = _size("Of the estimate, the constants' own doubt in it.")
    p_value = ma.fields.Float(required=True, metadata={"description": "Chance of as much from a right print."})
    adjusted_p_value = ma.fields.Float(
        required=True, allow_none=True, metadata={"description": "For how many were looked at; null of too few shafts."}
    )
    shafts = ma.fields.Integer(required=True)
    above = ma.fields.Integer(required=True, metadata={"description": "How many of them lie above the nominal."})
    words = ma.fields.String(required=True)
    evidence = ma.fields.List(ma.fields.Nested(CatalogueFaultWitnessSchema()), required=True)


class CatalogueFaultReportSchema(AnswerSchema):
    """Faults of the catalogue found by measuring, the likeliest first."""

    catalogue_revision = ma.fields.Integer(required=True)
    unit = ma.fields.Enum(LengthUnit, by_value=True, required=True)
    confirmed_shafts = ma.fields.Integer(required=True)
    left_out = ma.fields.Integer(
        required=True, metadata={"description": "Confirmed shafts whose part the catalogue does not have any more."}
    )
    tested = ma.fields.Integer(required=True, metadata={"description": "How many nominals were tested."})
    rule = ma.fields.String(required=True)
    cautions = ma.fields.List(ma.fields.String(), required=True)
    items = ma.fields.List(ma.fields.Nested(CatalogueFaultSchema()), required=True)


def catalogue_faults_blueprint(desk: Desk) -> Blueprint:
    """The route for faults of the catalogue."""
    blueprint = Blueprint(
        "catalogue_faults", __name__, url_prefix="/v1/catalogue", description="What measuring says of the catalogue."
    )

    @blueprint.route("/faults", methods=["GET"])
    @blueprint.arguments(FaultsQuery(), location="query")
    @blueprint.response(200, CatalogueFaultReportSchema())
    def read_faults(query: dict[str, Any]) -> Response:
        """Printed lifts, base circles and journals from which confirmed shafts differ in the same direction.

        It is worked out from every confirmed case when it is asked for; some seconds for thousands of them.
        """
        return json_response(faults_json(report_on_faults(desk.stores), query["unit"], query["verdict"]))

    return blueprint


def faults_json(found: FaultsFound, unit: LengthUnit, verdict: Verdict | None = None) -> Json:
    """The report as JSON, lengths in `unit`."""
    report = found.report
    return {
        "catalogue_revision": found.revision,
        "unit": unit.value,
        "confirmed_shafts": report.shafts,
        "left_out": report.left_out,
        "tested": report.looked_at,
        "rule": RULE,
        "cautions": list(CAUTIONS),
        "items": [
            _fault(one, found.references, unit) for one in report.findings if verdict is None or one.verdict is verdict
        ],
    }


def _fault(one: Finding, references: dict[str, str], unit: LengthUnit) -> Json:
    target = one.target
    return {
        "feature": target.feature.value,
        "core": target.core,
        "part_number": target.part_number,
        "lobe": target.lobe,
        "position": target.position,
        "verdict": one.verdict.value,
        "printed": unit.show(one.nominal_mm),
        "estimate": unit.show(one.nominal_mm + one.shift.estimate),
        "difference": unit.show(one.shift.estimate),
        "standard_uncertainty": unit.show(one.shift.standard_uncertainty),
        "p_value": one.shift.p_value,
        "adjusted_p_value": one.adjusted,
        "shafts": len(one.witnesses),
        "above": one.larger,
        "words": f"{target_words(target)}: {finding_words(one, unit)}",
        "evidence": [
            {
                "case": witness.case,
                "reference": references[witness.case],
                "instrument": witness.instrument.value,
                "measured": unit.show(witness.measured_mm),
                "corrected": unit.show(witness.corrected_mm),
                "standard_deviation": unit.show(witness.sd_mm),
                "outlying": witness.outlying,
            }
            for witness in one.witnesses
        ],
    }

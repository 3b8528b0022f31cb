"""The routes for reports."""

from __future__ import annotations

import marshmallow as ma
from flask import Response

from service.documents.truth_plot import draw_truth
from service.web.api.reports.shown import truth_report_json
from service.web.blueprint import Blueprint
from service.web.drawings import SVG_TYPE, drawing_response
from service.web.fields import AnswerSchema
from service.web.replies import json_response
from service.workflows.desk import Desk
from service.workflows.learning.report import report_on_truth


class ShareSchema(AnswerSchema):
    """How many of how many, with a 95 % interval (Wilson); the share is null of none."""

    of = ma.fields.Integer(required=True)
    count = ma.fields.Integer(required=True)
    share = ma.fields.Float(required=True, allow_none=True)
    interval = ma.fields.List(ma.fields.Float(), required=True, allow_none=True, validate=ma.validate.Length(equal=2))


class ReliabilityBinSchema(AnswerSchema):
    """The answers whose stated probability lies in one tenth, and how many of them came true."""

    start = ma.fields.Float(required=True)
    end = ma.fields.Float(required=True)
    mean_stated = ma.fields.Float(required=True, allow_none=True)
    came_true = ma.fields.Nested(ShareSchema(), required=True)


class CoverageSchema(AnswerSchema):
    """The largest share of the confirmed cases that could be answered, surest first, at an error rate."""

    error_rate = ma.fields.Float(required=True)
    share = ma.fields.Float(required=True)
    least_stated = ma.fields.Float(
        required=True, allow_none=True, metadata={"description": "The stated probability down to which that goes."}
    )


class ConfidenceShareSchema(AnswerSchema):
    """Decisions given with one confidence."""

    confidence = ma.fields.String(required=True)
    right = ma.fields.Nested(ShareSchema(), required=True)


class ReviewerSchema(AnswerSchema):
    """One person's decisions of cases whose truth is known."""

    by = ma.fields.String(required=True)
    cannot_tell = ma.fields.Integer(required=True)
    right = ma.fields.Nested(ShareSchema(), required=True)
    by_confidence = ma.fields.List(ma.fields.Nested(ConfidenceShareSchema()), required=True)


class TruthReportSchema(AnswerSchema):
    """How far the desk can be trusted."""

    confirmed_cases = ma.fields.Integer(required=True)
    named_right = ma.fields.Nested(
        ShareSchema(), required=True, metadata={"description": "Of the answers that named a part, or nobody's."}
    )
    leading_right = ma.fields.Nested(ShareSchema(), required=True)
    brier_score = ma.fields.Float(required=True, allow_none=True)
    reliability = ma.fields.List(ma.fields.Nested(ReliabilityBinSchema()), required=True)
    coverage = ma.fields.List(ma.fields.Nested(CoverageSchema()), required=True)
    reviewers = ma.fields.List(ma.fields.Nested(ReviewerSchema()), required=True)
    second_looks_agree = ma.fields.Nested(
        ShareSchema(), required=True, metadata={"description": "With the person who looked first."}
    )
    kappa = ma.fields.Float(
        required=True, allow_none=True, metadata={"description": "Cohen's: that agreement over chance's."}
    )
    sampled_answers_agree = ma.fields.Nested(
        ShareSchema(), required=True, metadata={"description": "Automatic answers, looked at by a person."}
    )


def reports_blueprint(desk: Desk) -> Blueprint:
    """The routes for reports."""
    blueprint = Blueprint("reports", __name__, url_prefix="/v1/reports", description="What the desk has learnt.")

    @blueprint.route("/truth", methods=["GET"])
    @blueprint.response(200, TruthReportSchema())
    def read() -> Response:
        """Agreement, reliability and reviewers' consistency, from the cases whose truth came out."""
        with desk.stores.transaction() as transaction:
            report = report_on_truth(transaction)
        return json_response(truth_report_json(report))

    @blueprint.route("/truth.svg", methods=["GET"])
    @blueprint.response(200, {"type": "string"}, content_type=SVG_TYPE)
    def draw() -> Response:
        """The same, drawn."""
        with desk.stores.transaction() as transaction:
            report = report_on_truth(transaction)
        return drawing_response(draw_truth(report))

    return blueprint

"""Valve timing worked out, as JSON, and how that looks for the document."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.documents.lift_table_words import figure_and_doubt
from service.documents.valve_timing_words import disagreement_words, timing_advice
from service.domain.cautions import CAUTIONS
from service.domain.readings import At, LobeKind
from service.domain.units import LengthUnit
from service.identification.bench.timing_sheet import TimingFound
from service.lobe.figures import Figure
from service.lobe.valve_timing import Timing, TimingSlip
from service.web.fields import AnswerSchema, Choice, DecimalText

Json = dict[str, Any]


def timing_json(found: TimingFound) -> Json:
    """The whole answer; lengths in the sheet's unit."""
    sheet, report = found.sheet, found.report
    there = sheet.also_at
    return {
        "unit": sheet.unit.value,
        "checking_lift": _place(sheet.unit, sheet.checking_lift),
        "at": sheet.at.value,
        "figures": _figures(report.figures),
        "wheel_reads_too_much": _known(report.wheel),
        "lobes": {
            kind.value: {
                "lobe_lift": sheet.unit.show(found.lobe_mm[kind]),
                "valve_lift": sheet.unit.show(max(found.valve_mm[kind], 0.0)),
            }
            for kind in LobeKind
        },
        "also_at": None
        if there is None
        else {
            "checking_lift": _place(sheet.unit, there[0]),
            "at": there[1].value,
            "figures": _figures(found.there or {}),
        },
        "disagreements": [
            {
                "pointers": [f"/readings/{i}" for i in each.members],
                "off_by": [f"{off:.1f}" for off in each.off_by],
                "figure": None if each.figure is None else each.figure.value,
                "explanations": [
                    {"pointer": f"/readings/{fit.reading}", "slip": fit.slip.value, "value": f"{fit.value:.2f}"}
                    for fit in each.explanations
                ],
                "message": disagreement_words(found, each),
            }
            for each in report.disagreements
        ],
        "readings": _as_readings(found),
        "advice": list(timing_advice(found)),
        "cautions": list(CAUTIONS),
    }


def _place(unit: LengthUnit, lift: Any) -> str:
    return unit.show(unit.to_mm(lift))


def _known(figure: Figure) -> Json:
    value, doubt = figure_and_doubt(figure, 1)
    return {"value": value, "standard_uncertainty": doubt}


def _figures(figures: dict[Timing, Figure]) -> Json:
    return {what.value: _known(figures[what]) if what in figures else None for what in Timing}


def _as_readings(found: TimingFound) -> list[Json]:
    """The durations and the separation as a submission takes them; none while readings cannot hold together."""
    sheet, figures = found.sheet, found.report.figures
    if found.report.disagreements:
        return []
    readings: list[Json] = [
        {
            "feature": "duration",
            "lobe": kind.value,
            "checking_lift": str(sheet.checking_lift),
            "degrees": "crank",
            "at": sheet.at.value,
            "instrument": sheet.instrument.value,
            "values": [f"{figures[what].value:.1f}"],
        }
        for kind, what in ((LobeKind.INTAKE, Timing.INTAKE_DURATION), (LobeKind.EXHAUST, Timing.EXHAUST_DURATION))
        if what in figures and figures[what].value > 0
    ]
    if Timing.SEPARATION in figures and figures[Timing.SEPARATION].value > 0:
        value = f"{figures[Timing.SEPARATION].value:.1f}"
        readings.append({"feature": "lobe_separation", "instrument": sheet.instrument.value, "values": [value]})
    return readings


class KnownDegreesSchema(AnswerSchema):
    """Degrees with their standard uncertainty."""

    value = DecimalText(required=True)
    standard_uncertainty = DecimalText(required=True)


_FIGURES = AnswerSchema.from_dict(
    {what.value: ma.fields.Nested(KnownDegreesSchema(), required=True, allow_none=True) for what in Timing},
    name="TimingFiguresSchema",
)


class LiftsThereSchema(AnswerSchema):
    """Where lobe and valve stand at the checking lift."""

    lobe_lift = DecimalText(required=True)
    valve_lift = DecimalText(required=True, metadata={"description": "0 while the lash is not taken up."})


class BothLiftsSchema(AnswerSchema):
    """Both lobes."""

    intake = ma.fields.Nested(LiftsThereSchema(), required=True)
    exhaust = ma.fields.Nested(LiftsThereSchema(), required=True)


class ElsewhereSchema(AnswerSchema):
    """The figures at another checking lift: a typical lobe's, for the lobes whose lift is known."""

    checking_lift = DecimalText(required=True)
    at = Choice(At, required=True)
    figures = ma.fields.Nested(_FIGURES(), required=True)


class ExplanationSchema(AnswerSchema):
    """A mistake under which everything would hold together."""

    pointer = ma.fields.String(required=True)
    slip = Choice(TimingSlip, required=True)
    value = DecimalText(required=True, metadata={"description": "What was meant."})


class DisagreementSchema(AnswerSchema):
    """Readings that cannot hold together, or that give a figure no engine has."""

    pointers = ma.fields.List(ma.fields.String(), required=True)
    off_by = ma.fields.List(
        DecimalText(), required=True, metadata={"description": "By how much each is off, if it alone is."}
    )
    figure = Choice(Timing, required=True, allow_none=True)
    explanations = ma.fields.List(ma.fields.Nested(ExplanationSchema()), required=True)
    message = ma.fields.String(required=True)


class TimingFoundSchema(AnswerSchema):
    """Valve timing worked out; a figure that the readings do not tell is null."""

    unit = Choice(LengthUnit, required=True)
    checking_lift = DecimalText(required=True)
    at = Choice(At, required=True)
    figures = ma.fields.Nested(_FIGURES(), required=True)
    wheel_reads_too_much = ma.fields.Nested(
        KnownDegreesSchema(), required=True, metadata={"description": "After top dead centre; taken off."}
    )
    lobes = ma.fields.Nested(BothLiftsSchema(), required=True)
    also_at = ma.fields.Nested(ElsewhereSchema(), required=True, allow_none=True)
    disagreements = ma.fields.List(ma.fields.Nested(DisagreementSchema()), required=True)
    readings = ma.fields.List(
        ma.fields.Dict(),
        required=True,
        metadata={"description": "Durations and separation as `POST /v1/submissions` takes them."},
    )
    advice = ma.fields.List(ma.fields.String(), required=True)
    cautions = ma.fields.List(ma.fields.String(), required=True)

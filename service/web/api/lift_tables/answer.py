"""A sheet worked out, as JSON. `answer_schemas.py` documents what is built here."""

from __future__ import annotations

from typing import Any

from service.documents.lift_table_words import (
    condition_words,
    correction_words,
    figure_and_doubt,
    odd_lobe_words,
    shape_words,
    uncertainty,
)
from service.domain.cautions import CAUTIONS
from service.domain.units import LengthUnit
from service.identification.bench.condition import LobeCondition
from service.lobe.analysis import LobeReport
from service.lobe.figures import DurationFigure, Figure
from service.lobe.lift_table import RawTable
from service.lobe.matching import GRID_DEG
from service.workflows.identifying.lift_tables import WorkedOut

Json = dict[str, Any]


def worked_out_json(found: WorkedOut, unit: LengthUnit) -> Json:
    """The whole answer; lengths in `unit`."""
    report = found.report
    shaft = report.shaft
    separation = shaft.separations[min(shaft.separations)] if shaft is not None and shaft.separations else None
    return {
        "unit": unit.value,
        "lobes": [_lobe(lobe, unit, found.conditions[i]) for i, lobe in enumerate(report.lobes)],
        "lobe_separation": _degrees(separation),
        "lobe_differences": [
            {
                "lobe": odd.kind.value,
                "cylinder": odd.standout.number,
                "by": odd.by.value,
                "others": list(odd.standout.others),
                "difference": _length(odd.standout.difference, unit),
                "message": odd_lobe_words(odd, unit),
            }
            for odd in found.odd
        ],
        "shaft": None
        if shaft is None
        else {
            "separations": [{"cylinder": c} | _known(f) for c, f in shaft.separations.items()],
            "overlaps": [
                {"cylinder": c, "checking_lift": unit.show(shaft.overlap_at_mm or 0.0)} | _known(f)
                for c, f in shaft.overlaps.items()
            ],
            "order": [{"lobe": lobe.kind.value, "cylinder": lobe.cylinder} for lobe in shaft.order],
            "steps": [_known(step.cam_deg) for step in shaft.steps],
        },
        "candidates": [
            {
                "part_number": c.part_number,
                "same_as": list(c.same_as),
                "core": c.core,
                "probability": round(c.probability, 6),
            }
            for c in found.candidates
        ],
        "not_in_catalogue_probability": None
        if found.not_in_catalogue_probability is None
        else round(found.not_in_catalogue_probability, 6),
        "catalogue_revision": found.catalogue_revision,
        "cautions": list(CAUTIONS),
    }


def _lobe(lobe: LobeReport, unit: LengthUnit, condition: LobeCondition | None) -> Json:
    figures, table = lobe.figures, lobe.table
    raw = table.raw
    jaws = None if lobe.flat is None else lobe.flat.jaws
    return {
        "lobe": lobe.lobe.kind.value,
        "cylinder": lobe.lobe.cylinder,
        "lift": _length(figures.lift, unit),
        "durations": [_duration(d, raw, unit) for d in figures.durations],
        "centre": _angle(figures.centre, raw),
        "centre_by_least_squares": _angle(figures.mirror_centre, raw),
        "nose": _angle(figures.nose, raw),
        "area": {
            "value": f"{unit.from_mm(figures.area.value):.3f}",
            "standard_uncertainty": uncertainty(unit.from_mm(figures.area.sd), 3),
        },
        "opening_ramp": _degrees(figures.opening_ramp),
        "closing_ramp": _degrees(figures.closing_ramp),
        "asymmetry": _degrees(figures.asymmetry),
        "valve": None
        if lobe.valve is None
        else {
            "lift": _length(lobe.valve.lift, unit),
            "durations": [_duration(d, raw, unit) for d in lobe.valve.durations],
        },
        "caliper": None
        if jaws is None
        else {
            "height": unit.show(jaws.height_mm),
            "base_circle": unit.show(jaws.base_mm),
            "event_too_long": jaws.event_too_long,
        },
        "corrections": [
            {
                "kind": c.kind.value,
                "size": unit.show(c.size_mm),
                "standard_uncertainty": None if c.sd_mm is None else uncertainty(unit.from_mm(c.sd_mm), unit.decimals),
                "rows": list(c.rows),
                "message": correction_words(c, unit),
            }
            for c in table.corrections
        ],
        "smoothing": {
            "noise": uncertainty(unit.from_mm(table.noise_mm), unit.decimals),
            "effective_parameters": round(table.freedom, 1),
            "readings": int(table.used.size),
            "readings_used": int(table.used.sum()),
        },
        "advice": list(shape_words(lobe)),
        "condition": None if condition is None else _condition(condition, unit),
    }


def _condition(condition: LobeCondition, unit: LengthUnit) -> Json:
    curve = condition.curve
    return {
        "part_number": condition.part_number,
        "nose_loss": _length(condition.nose_loss, unit),
        "loss": None
        if curve is None
        else [
            {
                "angle": f"{angle:.1f}",
                "value": unit.show(float(value)),
                "standard_uncertainty": uncertainty(unit.from_mm(float(sd)), unit.decimals),
            }
            for angle, value, sd in zip(GRID_DEG, curve.loss, curve.sd, strict=True)
        ],
        "reground": condition.reground,
        "undersize": None if condition.undersize is None else _length(condition.undersize, unit),
        "runout": None if condition.runout_mm is None else unit.show(condition.runout_mm),
        "messages": list(condition_words(condition, unit)),
    }


def _length(figure: Figure, unit: LengthUnit) -> Json:
    own = Figure(unit.from_mm(figure.value), unit.from_mm(figure.sd))
    value, doubt = figure_and_doubt(own, unit.decimals)
    return {"value": value, "standard_uncertainty": doubt}


def _known(figure: Figure) -> Json:
    value, doubt = figure_and_doubt(figure, 1)
    return {"value": value, "standard_uncertainty": doubt}


def _degrees(figure: Figure | None) -> Json | None:
    return None if figure is None else _known(figure)


def _angle(figure: Figure, raw: RawTable) -> Json:
    known = _known(Figure(raw.own_angle(figure.value), raw.own_sd(figure.sd)))
    return {"angle": known["value"], "standard_uncertainty": known["standard_uncertainty"]}


def _duration(duration: DurationFigure, raw: RawTable, unit: LengthUnit) -> Json:
    known = _known(duration.crank_deg)
    return {
        "checking_lift": unit.show(duration.checking_lift_mm),
        "crank_degrees": known["value"],
        "standard_uncertainty": known["standard_uncertainty"],
        "opens": _angle(duration.opens_cam_deg, raw),
        "closes": _angle(duration.closes_cam_deg, raw),
    }

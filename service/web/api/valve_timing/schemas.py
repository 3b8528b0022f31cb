"""How valve timing is sent: shapes, ranges and units."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.readings import (
    MOST_READINGS,
    MOST_REPEATS,
    TOOLS_FOR,
    At,
    Experience,
    Feature,
    Instrument,
    LobeKind,
)
from service.domain.units import LengthUnit
from service.identification.bench.timing_sheet import TimingSheet, TimingTaken
from service.lobe.valve_timing import Timing, ValveTrain
from service.web.fields import Amount, Choice, Flag, PlainAmount, described

_CENTRES = (Timing.INTAKE_CENTRE, Timing.EXHAUST_CENTRE)
_SIGNED = (
    Timing.INTAKE_OPENS, Timing.INTAKE_CLOSES, Timing.EXHAUST_OPENS, Timing.EXHAUST_CLOSES, Timing.OVERLAP,
    Timing.ADVANCE,
)  # fmt: skip
_WHEELS = [tool.value for tool in TOOLS_FOR[Feature.VALVE_EVENT]]

TIMING_EXAMPLES: dict[str, dict[str, Any]] = {
    "four_events": {
        "summary": "Four events off a degree wheel, and a card's separation; everything is invented.",
        "value": {
            "unit": "in",
            "checking_lift": "0.050",
            "at": "lobe",
            "piston_stop": {"before": "36.75", "after": "35.25"},
            "readings": [
                {"what": "intake_opens", "values": ["6", "6.5"]},
                {"what": "intake_closes", "values": ["42"]},
                {"what": "exhaust_opens", "values": ["44"]},
                {"what": "exhaust_closes", "values": ["8"]},
                {"what": "lobe_separation", "values": ["108"], "stated": True},
            ],
            "lobes": {
                "intake": {"lift": "0.3130", "lash": "0.006", "rocker_ratio": "1.1"},
                "exhaust": {"lift": "0.3130", "lash": "0.008", "rocker_ratio": "1.1"},
            },
            "also_at": {"checking_lift": "0.020", "at": "valve"},
        },
    },
    "a_centre_by_equal_lifts": {
        "summary": "The intake's centre from two places of one lift.",
        "value": {
            "unit": "mm",
            "checking_lift": "1.00",
            "at": "valve",
            "readings": [{"what": "intake_centre", "equal_lifts": ["60", "145.5"]}],
        },
    },
}


class _Strict(ma.Schema):
    class Meta:
        """Nothing else."""

        unknown = ma.RAISE


class TimingReadingSchema(_Strict):
    """One figure read, or stated by a card."""

    what = Choice(
        Timing,
        required=True,
        metadata=described(
            "Events as a card writes them: the intake opens before top and closes after bottom dead centre, the "
            "exhaust opens before bottom and closes after top dead centre; negative on the other side. The intake's "
            "centre is after, the exhaust's before top dead centre. The separation is in cam degrees, all else in "
            "crank degrees; `advance` is above 0 where the shaft is ahead of straight up."
        ),
    )
    values = ma.fields.List(
        Amount(digits=3, sign="any"),
        validate=ma.validate.Length(1, MOST_REPEATS),
        metadata=described("The repeats as they were read."),
    )
    equal_lifts = ma.fields.List(
        Amount(digits=3, sign="any"),
        validate=ma.validate.Length(2, 2),
        metadata=described("In place of `values`, for a centre: the two places at which the lift is the same."),
    )
    stated = Flag(metadata=described("Whether it is a card's figure and not a reading."))

    @ma.validates_schema
    def one_of_two(self, data: dict[str, Any], **_: Any) -> None:
        """Refuse a reading without values, with two sets of them, or with a sign it cannot have."""
        if ("values" in data) == ("equal_lifts" in data):
            raise ma.ValidationError("Give either values or equal_lifts.", "values")
        if "equal_lifts" in data and data.get("what") not in _CENTRES:
            raise ma.ValidationError("Belongs to a centre alone.", "equal_lifts")
        if "equal_lifts" in data and data.get("stated"):
            raise ma.ValidationError("A card states a centre, not two places.", "equal_lifts")
        if data.get("what") not in _SIGNED:
            wrong = {i: ["Must be above 0."] for i, w in enumerate(data.get("values", ())) if w.value <= 0}
            if wrong:
                raise ma.ValidationError({"values": wrong})

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> TimingTaken:
        """The figure taken."""
        equal = data.get("equal_lifts")
        return TimingTaken(
            data["what"],
            tuple(data.get("values", ())),
            data.get("stated", False),
            None if equal is None else (equal[0], equal[1]),
        )


class PistonStopSchema(_Strict):
    """What the wheel shows where the piston meets a stop, turned one way and the other."""

    before = Amount(digits=3, required=True, metadata=described("Degrees before top dead centre."))
    after = Amount(digits=3, required=True, metadata=described("Degrees after it."))


class TrainSchema(_Strict):
    """One lobe and what leads from it to its valve."""

    lift = PlainAmount(digits=2, metadata=described("The lobe's lift."))
    rocker_ratio = PlainAmount(digits=1, metadata=described("Valve lift over lobe lift; 1 if left out."))
    lash = PlainAmount(digits=2, sign="not_negative", metadata=described("At the valve; 0 if left out."))


class TrainsSchema(_Strict):
    """Both lobes."""

    intake = ma.fields.Nested(TrainSchema())
    exhaust = ma.fields.Nested(TrainSchema())


class PlaceSchema(_Strict):
    """A checking lift, and where it is measured."""

    checking_lift = PlainAmount(digits=2, required=True)
    at = Choice(At, required=True)


class TimingSchema(_Strict):
    """What was read of valve timing, all at one checking lift."""

    unit = Choice(LengthUnit, required=True, metadata=described("Of every length here."))
    checking_lift = PlainAmount(digits=2, required=True, metadata=described("The lift at which events were read."))
    at = Choice(At, required=True, metadata=described("Where that lift was measured."))
    instrument = ma.fields.String(validate=ma.validate.OneOf(_WHEELS), metadata=described(f"{_WHEELS[0]} if left out."))
    experience = Choice(Experience)
    readings = ma.fields.List(
        ma.fields.Nested(TimingReadingSchema()), required=True, validate=ma.validate.Length(1, MOST_READINGS)
    )
    piston_stop = ma.fields.Nested(PistonStopSchema(), metadata=described("With it, the wheel's zero is known."))
    lobes = ma.fields.Nested(TrainsSchema())
    also_at = ma.fields.Nested(
        PlaceSchema(), metadata=described("Another checking lift to work the figures over to; needs the lobes' lifts.")
    )

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> TimingSheet:
        """The sheet."""
        unit: LengthUnit = data["unit"]
        trains, faults = {}, {}
        for kind in LobeKind:
            sent = data.get("lobes", {}).get(kind.value, {})
            lift = unit.to_mm(sent["lift"]) if "lift" in sent else None
            if lift is not None and not 1 <= lift <= 40:
                faults[kind.value] = {"lift": [f"{lift:.3f} mm is no lobe's lift (1 to 40 mm); is the unit right?"]}
            ratio = float(sent.get("rocker_ratio", 1))
            if not 0.3 <= ratio <= 5:
                faults[kind.value] = {"rocker_ratio": ["Is no rocker's ratio (0.3 to 5)."]}
            trains[kind] = ValveTrain(ratio, unit.to_mm(sent.get("lash", 0)), lift)
        if faults:
            raise ma.ValidationError({"lobes": faults})
        if unit.to_mm(data["checking_lift"]) > 20:
            detail = f"{unit.to_mm(data['checking_lift']):.3f} mm is no checking lift; is the unit right?"
            raise ma.ValidationError(detail, "checking_lift")
        stop, there = data.get("piston_stop"), data.get("also_at")
        return TimingSheet(
            unit,
            data["checking_lift"],
            data["at"],
            tuple(data["readings"]),
            trains,
            Instrument(data.get("instrument", _WHEELS[0])),
            data.get("experience"),
            None if stop is None else (stop["before"], stop["after"]),
            None if there is None else (there["checking_lift"], there["at"]),
        )

"""The words in which a reading is asked for, a slip is raised, and a caller is advised: to be read aloud."""

from __future__ import annotations

from service.domain.identification import Slip
from service.domain.readings import Feature, Instrument, Reading
from service.domain.units import LengthUnit

TOOL_WORDS: dict[Instrument, str] = {
    Instrument.DIGITAL_CALIPER: "the digital caliper",
    Instrument.DIAL_CALIPER: "the dial caliper",
    Instrument.VERNIER_CALIPER: "the vernier caliper",
    Instrument.OUTSIDE_MICROMETER: "an outside micrometer",
    Instrument.DIAL_INDICATOR: "a dial indicator",
    Instrument.DEGREE_WHEEL: "a degree wheel and an indicator",
    Instrument.PROTRACTOR: "a protractor",
    Instrument.BENCH: "the bench",
}

_HOW: dict[str, str] = {
    Feature.JOURNAL_DIAMETER: "Measure the {position} journal on its bright band, clear of oil groove and chamfer.",
    Feature.LOBE_HEIGHT: "Measure the {lobe} lobe from nose to heel, jaws square to the nose; take the largest width.",
    Feature.BASE_CIRCLE: "Measure the {lobe} lobe across the round part, away from the ramps; take the smallest width.",
    Feature.FLANK_WIDTH: (
        "Hold the shaft fast. Measure across the {lobe} lobe with the jaws 45 degrees to one side of the nose, then 45 "
        "degrees to the other, the two places a right angle apart by a square or a card; give the mean of the two."
    ),
    Feature.LOBE_LIFT: "Read the {lobe} lobe's lift: zero the indicator on the heel, turn the shaft, read the most.",
    Feature.VALVE_LIFT: "Read the {lobe} valve's lift, and say the rocker ratio and the lash.",
    Feature.DURATION: "Read the crank degrees at which the {lobe} lobe passes {checking} {unit} of lift, up and down.",
    Feature.LOBE_SEPARATION: "Read the cam degrees between the intake and the exhaust lobe centres.",
    Feature.OVERALL_LENGTH: "Measure the overall length of the shaft, end to end.",
    Feature.ZERO_CHECK: "Wipe the jaws, close them, and say what the tool reads.",
    "gear_teeth": "Count the gear's teeth; mark the first one.",
}


def words_for(feature: str, instrument: Instrument | None, reading: Reading | None, unit: LengthUnit) -> str:
    """How to ask for one reading, in a sentence or two."""
    position = str(reading.position) if reading and reading.position else ""
    lobe = str(reading.lobe) if reading and reading.lobe else ""
    checking = ""
    if reading and reading.checking_lift is not None:
        checking = unit.show(float(reading.checking_lift * unit.mm))
    how = _HOW[feature].format(position=position, lobe=lobe, checking=checking, unit=unit.value)
    if instrument is None or feature == Feature.ZERO_CHECK:
        return how
    return f"{how} Use {TOOL_WORDS[instrument]}."


_SLIP_WORDS: dict[Slip, str] = {
    Slip.HEIGHT_BASE_SWAPPED: "The {lobe} lobe's height and base circle look swapped.",
    Slip.LOBES_SWAPPED: "The intake and the exhaust lobe look swapped.",
    Slip.DIGITS_SWAPPED: "Two digits of {written} look swapped; {meant} would fit.",
    Slip.DECIMAL_SLIPPED: "The decimal point of {written} looks off by one; {meant} would fit.",
    Slip.UNIT_MISTAKEN: "The readings look as if they were taken in {other}, not in {unit}.",
    Slip.VALVE_LIFT_AS_LOBE_LIFT: "{written} looks like the lift at the valve, not at the lobe.",
    Slip.CAM_AS_CRANK_DEGREES: "{written} looks like {other_degrees} degrees, not {degrees} degrees.",
    Slip.OTHER_CHECKING_LIFT: "{written} looks like a duration at another checking lift, about {checking} {unit_sign}.",
    Slip.JOURNAL_MISREAD: "{written} looks like a journal read in its oil groove or on a chamfer.",
}
_NAMES = {Feature.LOBE_HEIGHT: "height", Feature.BASE_CIRCLE: "base circle"}
_LONE_WIDTH = "The {lobe} lobe's {feature} looks like its {other_feature}."
"""Where the lobe's other width was not read there is nothing it was swapped with."""


def words_for_slip(
    slip: Slip, written: Reading | None, meant: Reading | None, unit: LengthUnit, *, alone: bool = False
) -> str:
    """How a slip is raised with the caller; `alone`: it is about this one reading."""
    degrees = str(written.degrees) if written and written.degrees else "crank"
    words = _LONE_WIDTH if alone and slip is Slip.HEIGHT_BASE_SWAPPED else _SLIP_WORDS[slip]
    return words.format(
        written=" and ".join(str(w) for w in written.values) if written else "",
        meant=" and ".join(str(w) for w in meant.values) if meant else "",
        lobe=written.lobe if written else "",
        feature=_NAMES.get(written.feature, "") if written else "",
        other_feature=_NAMES.get(meant.feature, "") if meant else "",
        unit=unit.words,
        unit_sign=unit.value,
        other=unit.other.words,
        degrees=degrees,
        other_degrees="cam" if degrees == "crank" else "crank",
        checking=f"{meant.checking_lift:.3f}" if meant and meant.checking_lift is not None else "",
    )

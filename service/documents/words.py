"""How readings, tools and figures are put into words on charts, letters and terminals."""

from __future__ import annotations

from service.domain.identification import AnswerState
from service.domain.readings import Degrees, Feature, LobeKind, Reading, Submission
from service.domain.units import LengthUnit

UNITS: dict[LengthUnit, str] = {unit: unit.words for unit in LengthUnit}

STATES: dict[AnswerState, str] = {
    AnswerState.IDENTIFIED: "Identified",
    AnswerState.AMBIGUOUS: "Ambiguous",
    AnswerState.NOT_IN_CATALOGUE: "Not in the catalogue",
    AnswerState.MORE_READINGS_NEEDED: "More readings needed",
}


def plain(name: str) -> str:
    """A name of the interface as words: `lobe_height` is "lobe height"."""
    return name.replace("_", " ")


def which_lobe(lobe: LobeKind, cylinder: int | None) -> str:
    """Which lobe: "intake lobe", "intake lobe, cylinder 2"."""
    return f"{lobe.value} lobe, cylinder {cylinder}" if cylinder else f"{lobe.value} lobe"


def subject(reading: Reading) -> str:
    """What was read, without its place or its tool: "front journal", "duration at 0.050"."""
    if reading.feature is Feature.JOURNAL_DIAMETER and reading.position:
        return f"{reading.position.value} journal"
    if reading.feature is Feature.VALVE_EVENT and reading.event:
        return plain(reading.event.value)
    words = plain(reading.feature.value)
    if reading.feature is Feature.DURATION and reading.checking_lift is not None:
        return f"{words} at {reading.checking_lift}"
    return words


def taken(reading: Reading, submission: Submission) -> str:
    """How it was read: "digital caliper, mean of 3", "degree wheel, at the valve"."""
    words = [plain(submission.instrument_of(reading).value)]
    if reading.at:
        words.append(f"at the {reading.at.value}")
    if len(reading.values) > 1:
        words.append(f"mean of {len(reading.values)}")
    return ", ".join(words)


def in_full(reading: Reading, submission: Submission) -> str:
    """Everything about a reading but its value: "intake lobe height, cylinder 2 (digital caliper ×3)"."""
    cylinder = f", cylinder {reading.cylinder}" if reading.cylinder else ""
    lobe = f"{reading.lobe.value} " if reading.lobe else ""
    times = f" ×{len(reading.values)}" if len(reading.values) > 1 else ""
    return f"{lobe}{subject(reading)}{cylinder} ({plain(submission.instrument_of(reading).value)}{times})"


def figure(value: float, reading: Reading | None, unit: LengthUnit) -> str:
    """A reading's figure as it is shown: a length in the caller's unit, an angle with its sign, a count whole."""
    if reading is None:
        return f"{value:g}"
    if not reading.feature.is_angle:
        return unit.show(value)
    degrees = " cam" if reading.degrees is Degrees.CAM or reading.feature is Feature.LOBE_SEPARATION else ""
    return f"{value:.1f}°{degrees}"


def signed(value: float, shown: str, minus: str = "−") -> str:
    """`shown`, the figure of abs(`value`), with its sign; none where it shows as nothing."""
    if not any(digit in shown for digit in "123456789"):
        return shown
    return (minus if value < 0 else "+") + shown


def percent(probability: float) -> str:
    """A probability as a percentage, never rounded to certainty: "98.1 %", "over 99.9 %", "under 0.1 %"."""
    if probability > 0.999:
        return "over 99.9 %"
    return "under 0.1 %" if probability < 0.001 else f"{100 * probability:.1f} %"


def shortened(text: str, most: int) -> str:
    """`text`, or its beginning and an ellipsis where it is longer than `most` characters."""
    return text if len(text) <= most else text[: most - 1] + "…"


def printable(text: str) -> str:
    """`text` on one line, with whatever could steer a terminal or turn its writing round replaced."""
    return "".join(ch if ch.isprintable() else "�" for ch in text)

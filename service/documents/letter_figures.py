"""The figures of a letter: what was measured, what follows from it, what the catalogue states; inch and millimetre."""

from __future__ import annotations

from service.documents.words import figure, plain, subject, which_lobe
from service.domain.catalogue import LobeNominal, Part
from service.domain.identification import Derived, Identification
from service.domain.readings import Degrees, Feature, Reading, Submission
from service.domain.units import LengthUnit

Row = tuple[str, str, str, str]

INCH, MILLIMETRE = LengthUnit.INCH, LengthUnit.MILLIMETRE


def both(value_mm: float) -> str:
    """A length in both units: "0.3470 in (8.814 mm)"."""
    return f"{INCH.show(value_mm)} in ({MILLIMETRE.show(value_mm)} mm)"


def measured_rows(submission: Submission) -> tuple[Row, ...]:
    """One row a reading (what, tool, inches, millimetres); an angle or a count stands once, before an empty cell."""
    rows = [_measured(reading, submission) for reading in submission.readings]
    if submission.gear_teeth is not None:
        rows.append(("gear teeth", "counted", str(submission.gear_teeth), ""))
    return tuple(rows)


def _measured(reading: Reading, submission: Submission) -> Row:
    times = f", mean of {len(reading.values)}" if len(reading.values) > 1 else ""
    tool = plain(submission.instrument_of(reading).value) + times
    what = _what(reading, submission.unit)
    if reading.feature.is_angle:
        whose = "" if "cam" in (shown := figure(float(reading.mean), reading, submission.unit)) else " crank"
        return what, tool, shown + whose, ""
    value_mm = submission.unit.to_mm(reading.mean)
    return what, tool, INCH.show(value_mm), MILLIMETRE.show(value_mm)


def _what(reading: Reading, unit: LengthUnit) -> str:
    words = subject(reading)
    if reading.feature is Feature.DURATION and reading.checking_lift is not None:
        words = f"duration at {both(unit.to_mm(reading.checking_lift))}"
    if reading.lobe is not None:
        words = f"{which_lobe(reading.lobe, reading.cylinder)}, {words.removeprefix('lobe ')}"
    return words


def worked_out(identification: Identification) -> tuple[str, ...]:
    """What was worked out from the readings, a line each, with the range that holds the truth 95 times in 100."""
    return tuple(_worked_out(derived) for derived in identification.derived)


def _worked_out(derived: Derived) -> str:
    name = plain(derived.quantity).removeprefix("lobe ") if derived.lobe is not None else plain(derived.quantity)
    of = f"{which_lobe(derived.lobe, derived.cylinder)}, {name}" if derived.lobe is not None else name
    low, high = derived.interval
    if not derived.can_be:
        return (
            f"{of}: none, since the height is no larger than the base circle; one of the two is not what it is called"
        )
    if not derived.is_length:
        return f"{of}: {derived.corrected:.1f}° (95 times in 100 from {low:.1f}° to {high:.1f}°)"
    return f"{of}: {both(derived.corrected)}; 95 times in 100 from {both(low)} to {both(high)}"


def catalogue_rows(part: Part) -> tuple[Row, ...]:
    """What the catalogue states of a part, a row a figure."""
    rows: list[Row] = []
    for kind, lobe in part.lobes.items():
        rows += [(what, kind.value, inches, mm) for what, inches, mm in _lobe_figures(lobe)]
    if part.lobe_separation_cam_deg is not None:
        rows.append(("lobe separation", "both", f"{part.lobe_separation_cam_deg:g}° {Degrees.CAM.value}", ""))
    return tuple(rows)


def _lobe_figures(lobe: LobeNominal) -> list[tuple[str, str, str]]:
    lengths = {"lobe lift": lobe.lift_mm, "base circle diameter": lobe.base_circle_mm, "lobe height": lobe.height_mm}
    if lobe.lash_mm is not None:
        lengths["lash at the valve"] = lobe.lash_mm
    figures = [(what, INCH.show(value), MILLIMETRE.show(value)) for what, value in lengths.items()]
    if lobe.rocker_ratio is not None:
        figures.append(("rocker ratio", f"{lobe.rocker_ratio:g}", ""))
    timing = [(f"duration at {both(d.checking_lift_mm)}", f"{d.crank_deg:g}° crank", "") for d in lobe.durations]
    return figures + timing

"""What was found in a lift table and put right, and what it says of a lobe's condition, in words for a bench sheet.

Words of condition stay on the side of caution: they say what was measured, and leave whether a shaft may run to people.
"""

from __future__ import annotations

import numpy as np

from service.domain.units import LengthUnit
from service.identification.bench.condition import Compared, LobeCondition, OddLobe
from service.lobe.analysis import LobeReport
from service.lobe.cleaning import Correction, CorrectionKind
from service.lobe.figures import Figure
from service.lobe.spikes import crowded

_MOST_ROWS = 6
_LEAST_ASYMMETRY = 0.5
_LARGEST = 999.0
"""Where an angle cannot be told at all its uncertainty is shown as this."""


def uncertainty(value: float, decimals: int) -> str:
    """A standard uncertainty to `decimals`, or to as many more as show its first digit; at most 3 more."""
    for places in range(decimals, decimals + 4):
        text = f"{value:.{places}f}"
        if any(digit in text for digit in "123456789"):
            return text
    return f"{value:.{decimals}f}"


def length(value_mm: float, unit: LengthUnit) -> str:
    """A length with its unit."""
    return f"{unit.show(value_mm)} {unit.value}"


def _rows(rows: tuple[int, ...]) -> str:
    """Rows as people count them, from 1."""
    named = ", ".join(str(row + 1) for row in rows[:_MOST_ROWS])
    return f"{named} and {len(rows) - _MOST_ROWS} more" if len(rows) > _MOST_ROWS else named


def correction_words(correction: Correction, unit: LengthUnit) -> str:
    """One correction in a sentence."""
    size = length(abs(correction.size_mm), unit)
    count = len(correction.rows)
    match correction.kind:
        case CorrectionKind.ZERO:
            return f"The indicator was not at zero on the base circle; {size} was taken off every reading."
        case CorrectionKind.RUNOUT:
            return f"A once-per-turn wave of {size} in all, seen on the base circle, was taken off."
        case CorrectionKind.ZERO_DRIFT:
            return f"The zero drifted by {size} from the first row to the last; the drift was taken off evenly."
        case CorrectionKind.SPIKE:
            which = "1 wild reading was" if count == 1 else f"{count} wild readings were"
            return f"{which} left out, the worst {size} off: row {_rows(correction.rows)}."
        case CorrectionKind.BUMP:
            return (
                f"A bump of {size} on the base circle, as of a decompressor's pin, was left out: "
                f"rows {_rows(correction.rows)}."
            )
        case CorrectionKind.REPEATED_ANGLE:
            return f"{count} rows share an angle with another; they differ by {size} at most. All were used."


def shape_words(lobe: LobeReport) -> tuple[str, ...]:
    """What the outline says that a person should know before trusting the rest."""
    found = []
    flat, table = lobe.flat, lobe.table
    left_out = np.zeros(table.used.size, bool)
    for correction in table.corrections:
        if correction.kind is CorrectionKind.SPIKE:
            left_out[list(correction.rows)] = True
    if crowded(table.raw.cam_deg, left_out):
        found.append(
            "Several readings close together were left out as wild, and some of them may have been good: the figures "
            "may be farther off than they say. Read that part of the lobe again."
        )
    if flat is not None and flat.hollow:
        found.append(
            "The flanks are hollow: a flat-faced follower can neither have been ground for nor run on this lobe. "
            "Check the follower's radius, or that it was this lobe."
        )
    if flat is not None and flat.undercut:
        found.append(
            "No lobe on this base circle can have lifted the stated follower like this: its outline would cross "
            "itself. Check the base circle, the follower and the unit."
        )
    if flat is not None and flat.jaws is not None and flat.jaws.event_too_long:
        found.append(
            "The lobe lifts for half a turn or more: a caliper cannot reach its base circle and reads it too large."
        )
    if flat is None:
        found.append("With this follower the base circle's diameter is needed to compare the lobe with the catalogue.")
    skew = lobe.figures.asymmetry
    if skew is not None and abs(skew.value) > max(3 * skew.sd, _LEAST_ASYMMETRY):
        side = "closing" if skew.value > 0 else "opening"
        found.append(f"The {side} side is the slower, by {abs(skew.value):.1f} cam degrees at the middle of the chord.")
    return tuple(found)


def condition_words(condition: LobeCondition, unit: LengthUnit) -> tuple[str, ...]:
    """A lobe beside the part it was matched to."""
    loss = condition.nose_loss
    limits = f"{unit.show(loss.value)} ± {unit.show(2 * loss.sd)} {unit.value}"
    words = [f"Nose beside {condition.part_number}: {limits} below nominal (two standard uncertainties)."]
    if condition.worn:
        words.append("That is more than making and measuring explain: the nose appears to have lost metal.")
    else:
        words.append("That is within what making and measuring explain; it does not show that there is no wear.")
    if condition.reground:
        assert condition.undersize is not None  # noqa: S101
        words.append(
            f"The base circle is {length(condition.undersize.value, unit)} under nominal: the shaft appears to have "
            "been ground again."
        )
    elif condition.reground is False:
        words.append("The base circle gives no sign of a regrind; a light one would not show.")
    words.append("Measuring does not find cracks, pitting or soft spots: have a qualified person look at the shaft.")
    return tuple(words)


def odd_lobe_words(odd: OddLobe, unit: LengthUnit) -> str:
    """A lobe unlike the others of its kind, in a sentence or two."""
    standout, kind = odd.standout, odd.kind.value
    size = f"{unit.show(abs(standout.difference.value))} ± {unit.show(2 * standout.difference.sd)} {unit.value}"
    others = standout.others
    rest = "the others of its kind" if len(others) > 1 else f"the {kind} lobe of cylinder {others[0]}"
    name = f"The {kind} lobe of cylinder {standout.number}"
    larger = standout.difference.value > 0
    if odd.by is Compared.LIFT:
        what = f"{name} lifts {size} {'more' if larger else 'less'} than {rest}"
        cause = "It may have worn, or been ground unlike" if not larger else "It may be the less worn, or ground unlike"
    else:
        what = f"{name} has a base circle {size} {'larger' if larger else 'smaller'} than that of {rest}"
        cause = "It may have been ground again or worn unlike"
    why = "Two lobes alone do not say which of them is as it was made." if len(others) == 1 else f"{cause} them."
    return (
        f"{what} (two standard uncertainties): more than measuring and making explain. {why} "
        "Have a qualified person look at the shaft before it is used."
    )


def with_doubt(figure: Figure, decimals: int) -> str:
    """A figure with its standard uncertainty: "110.2 ± 0.1"."""
    return " ± ".join(figure_and_doubt(figure, decimals))


def figure_and_doubt(figure: Figure, decimals: int) -> tuple[str, str]:
    """A figure and its standard uncertainty to the same decimals: `decimals`, or more where the uncertainty is less."""
    doubt = uncertainty(min(figure.sd, _LARGEST), decimals)
    value = f"{figure.value:.{len(doubt.partition('.')[2])}f}"
    return (value.lstrip("-") if float(value) == 0 else value), doubt

"""A lift table worked out, as plain text for a terminal."""

from __future__ import annotations

import textwrap

from service.documents.lift_table_words import (
    condition_words,
    correction_words,
    odd_lobe_words,
    shape_words,
    uncertainty,
    with_doubt,
)
from service.documents.words import UNITS, percent, which_lobe
from service.domain.catalogue import FollowerKind
from service.domain.units import LengthUnit
from service.identification.bench.condition import LobeCondition, OddLobe
from service.identification.entries.table_evidence import TableCandidate
from service.lobe.analysis import LobeReport, SheetReport
from service.lobe.figures import DurationFigure, Figure

WIDTH = 88


def render_sheet(
    report: SheetReport,
    unit: LengthUnit,
    candidates: tuple[TableCandidate, ...] = (),
    not_in_catalogue: float | None = None,
    conditions: tuple[LobeCondition | None, ...] = (),
    odd: tuple[OddLobe, ...] = (),
) -> str:
    """The whole sheet in lines of at most `WIDTH` characters; lengths in `unit`."""
    sections = []
    for number, lobe in enumerate(report.lobes):
        condition = conditions[number] if number < len(conditions) else None
        sections.append(_lobe(lobe, report, unit, condition))
    if report.shaft is not None:
        lines = ["Shaft"]
        for cylinder, apart in report.shaft.separations.items():
            lines.append(f"  lobe separation, cylinder {cylinder}: {with_doubt(apart, 1)} cam degrees")
        for cylinder, overlap in report.shaft.overlaps.items():
            at = unit.show(report.shaft.overlap_at_mm or 0.0)
            lines.append(f"  overlap at {at}, cylinder {cylinder}: {with_doubt(overlap, 1)} crank degrees")
        for step in report.shaft.steps if len(report.lobes) > 2 else ():
            names = (f"{lobe.cylinder} {lobe.kind.value}" for lobe in (step.earlier, step.later))
            lines.append(f"  from {' to '.join(names)}: {with_doubt(step.cam_deg, 1)} cam degrees")
        lines += [_wrapped(odd_lobe_words(each, unit)) for each in odd]
        sections.append("\n".join(lines))
    if candidates:
        lines = ["By its lift table alone"]
        lines += [f"  {percent(c.probability):>13}  {c.part_number} on core {c.core}" for c in candidates]
        lines.append(f"  {percent(not_in_catalogue or 0.0):>13}  none of the catalogue's parts")
        sections.append("\n".join(lines))
    sections.append(
        _wrapped("Uncertainties are standard ones, from the scatter of the readings about the curve alone.")
    )
    return "\n\n".join(sections) + "\n"


def _wrapped(words: str, indent: str = "  ") -> str:
    return "\n".join(textwrap.wrap(words, WIDTH, initial_indent=indent, subsequent_indent=indent + "  "))


def _lobe(lobe: LobeReport, report: SheetReport, unit: LengthUnit, condition: LobeCondition | None) -> str:
    several = len({r.lobe.cylinder for r in report.lobes}) > 1
    follower = report.sheet.follower
    on = "a point" if follower.kind is FollowerKind.POINT else f"a {follower.kind.value} follower"
    if follower.kind is FollowerKind.ROLLER:
        on += f" of radius {unit.show(follower.radius_mm)}"
    title = which_lobe(lobe.lobe.kind, lobe.lobe.cylinder if several else None)
    lines = [f"{title[0].upper()}{title[1:]}, on {on}; lengths in {UNITS[unit]}"]
    figures, table = lobe.figures, lobe.table
    lines.append(f"  {'lobe lift':<34}{_length(figures.lift, unit)}")
    lines.append(f"  {'centre, by chords of equal lift':<34}{_angle(figures.centre, lobe)}")
    lines.append(f"  {'centre, by least squares':<34}{_angle(figures.mirror_centre, lobe)}")
    lines += [_duration(d, "duration at", unit) for d in figures.durations]
    area = Figure(unit.from_mm(figures.area.value), unit.from_mm(figures.area.sd))
    lines.append(f"  {'area under the curve':<34}{with_doubt(area, 2)} {unit.value} × crank degrees")
    for name, ramp in (("opening", figures.opening_ramp), ("closing", figures.closing_ramp)):
        if ramp is not None:
            lines.append(f"  {f'{name} ramp, 0.006 to 0.020 in':<34}{with_doubt(ramp, 1)} cam degrees")
    if lobe.valve is not None:
        lines.append(f"  {'valve lift':<34}{_length(lobe.valve.lift, unit)}")
        lines += [_duration(d, "at the valve, at", unit) for d in lobe.valve.durations]
    lines.append(
        f"  {'smoothing':<34}noise {uncertainty(unit.from_mm(table.noise_mm), unit.decimals)}, "
        f"{int(table.used.sum())} of {table.used.size} readings, shape worth {table.freedom:.0f} numbers"
    )
    lines += [_wrapped(correction_words(c, unit)) for c in table.corrections]
    lines += [_wrapped(words) for words in shape_words(lobe)]
    if condition is not None:
        lines += [_wrapped(words) for words in condition_words(condition, unit)]
    return "\n".join(lines)


def _length(figure: Figure, unit: LengthUnit) -> str:
    return with_doubt(Figure(unit.from_mm(figure.value), unit.from_mm(figure.sd)), unit.decimals)


def _angle(figure: Figure, lobe: LobeReport) -> str:
    own = Figure(lobe.table.raw.own_angle(figure.value), lobe.table.raw.own_sd(figure.sd))
    return f"{with_doubt(own, 1)} on the table's scale"


def _duration(duration: DurationFigure, words: str, unit: LengthUnit) -> str:
    name = f"{words} {unit.show(duration.checking_lift_mm)}"
    return f"  {name:<34}{with_doubt(duration.crank_deg, 1)} crank degrees"

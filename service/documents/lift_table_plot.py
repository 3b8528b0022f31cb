"""Lift, velocity and acceleration of measured lobes against the cam's angle, as SVG; the matched part lies beneath.

Each lobe has its own column, angles from its centre. The band is two standard uncertainties wide on either side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.documents.svg import BAND, FAINT, GREY, INK, RULE, Drawing, ticks
from service.documents.words import UNITS, which_lobe
from service.domain.arrays import Floats
from service.domain.units import LengthUnit
from service.identification.bench.condition import LobeCondition
from service.lobe.analysis import LobeReport, SheetReport
from service.lobe.matching import GRID_DEG

_WIDTH = 520.0
_LEFT, _RIGHT, _TOP, _GAP = 74.0, 18.0, 72.0, 46.0
_HEIGHTS = (230.0, 150.0, 150.0, 120.0)
_STEP_DEG = 1.0


@dataclass(frozen=True, eq=False)
class _Panel:
    """One stack of values against angle: a curve with its band, the part's beneath, single readings."""

    title: str
    at: Floats
    value: Floats
    sd: Floats
    beneath: tuple[Floats, Floats] | None = None
    readings: tuple[Floats, Floats, NDArray[np.bool_]] | None = None  # angle, value, left out


def draw_sheet(report: SheetReport, unit: LengthUnit, conditions: tuple[LobeCondition | None, ...] = ()) -> str:
    """The drawing of a sheet; lengths in `unit`."""
    drawing = Drawing(_WIDTH, "Lift, velocity and acceleration")
    bottom, described = 0.0, []
    for number, lobe in enumerate(report.lobes):
        condition = conditions[number] if number < len(conditions) else None
        bottom = _lobe(drawing, bottom, lobe, unit, condition)
        name = which_lobe(lobe.lobe.kind, lobe.lobe.cylinder)
        lift = unit.show(lobe.figures.lift.value)
        matched = f", beside part {condition.part_number}" if condition is not None else ""
        described.append(f"{name}: lobe lift {lift} {UNITS[unit]}{matched}.")
    return drawing.finish(bottom + 14, " ".join(described))


def _lobe(drawing: Drawing, y0: float, lobe: LobeReport, unit: LengthUnit, condition: LobeCondition | None) -> float:
    name = which_lobe(lobe.lobe.kind, lobe.lobe.cylinder)
    drawing.text(_LEFT, y0 + 24, f"{name[0].upper()}{name[1:]}", size=16, bold=True)
    words = f"cam degrees from the lobe's centre; lengths in {UNITS[unit]}"
    if condition is not None and condition.curve is not None:
        words += f"; dashed: {condition.part_number}"
    drawing.text(_LEFT, y0 + 42, words, size=12, fill=GREY)
    panels = _panels(lobe, unit, condition)
    top = y0 + _TOP
    for panel, height in zip(panels, _HEIGHTS, strict=False):
        _draw(drawing, top, height, panel)
        top += height + _GAP
    return top


def _panels(lobe: LobeReport, unit: LengthUnit, condition: LobeCondition | None) -> list[_Panel]:
    curve, centre = lobe.table.curve, lobe.figures.centre.value
    at = np.arange(-110.0, 110.0 + _STEP_DEG / 2, _STEP_DEG)
    mm = float(unit.mm)
    wrapped = (lobe.table.raw.cam_deg - centre + 180) % 360 - 180
    near = np.abs(wrapped) <= 110
    readings = (wrapped[near], lobe.table.clean_mm[near] / mm, ~lobe.table.used[near])
    beneath: dict[int, tuple[Floats, Floats]] = {}
    if condition is not None and condition.curve is not None:
        nominal = condition.curve.loss + condition.observed.lift
        beneath = {order: (GRID_DEG, _derivative(nominal, order) / mm) for order in range(3)}
    titles = ("lift", "velocity, per cam degree", "acceleration, per cam degree²")
    panels = [
        _Panel(
            title,
            at,
            curve.lift(centre + at, order) / mm,
            2 * curve.lift_sd(centre + at, order) / mm,
            beneath.get(order),
            readings if order == 0 else None,
        )
        for order, title in enumerate(titles)
    ]
    if condition is not None and condition.curve is not None:
        loss = condition.curve
        panels.append(_Panel(f"missing beside {condition.part_number}", GRID_DEG, loss.loss / mm, 2 * loss.sd / mm))
    return panels


def _derivative(values: Floats, order: int) -> Floats:
    for _ in range(order):
        values = np.asarray(np.gradient(values, GRID_DEG))
    return values


def _draw(drawing: Drawing, top: float, height: float, panel: _Panel) -> None:
    left, right = _LEFT, _WIDTH - _RIGHT
    low = min(0.0, float((panel.value - panel.sd).min()))
    high = max(0.0, float((panel.value + panel.sd).max()))
    if panel.beneath is not None:
        low, high = min(low, float(panel.beneath[1].min())), max(high, float(panel.beneath[1].max()))
    pad = 0.06 * (high - low or 1.0)
    low, high = low - pad, high + pad

    def place(at: Floats, value: Floats) -> list[tuple[float, float]]:
        xs = left + (np.asarray(at) + 110) / 220 * (right - left)
        ys = top + (high - np.clip(value, low, high)) / (high - low) * height
        return list(zip(xs.tolist(), ys.tolist(), strict=True))

    for tick in ticks(low, high):
        ((_, y),) = place(np.zeros(1), np.array([tick]))
        drawing.line(left, y, right, y, stroke=RULE if tick == 0 else FAINT)
        drawing.text(left - 6, y + 4, f"{tick:.6g}", size=11, anchor="end", fill=GREY)
    for degrees in range(-90, 91, 30):
        ((x, _),) = place(np.array([float(degrees)]), np.zeros(1))
        drawing.line(x, top, x, top + height, stroke=RULE if degrees == 0 else FAINT)
        drawing.text(x, top + height + 14, f"{degrees}", size=11, anchor="middle", fill=GREY)
    band = place(panel.at, panel.value + panel.sd) + place(panel.at, panel.value - panel.sd)[::-1]
    drawing.area(band, fill=BAND)
    if panel.beneath is not None:
        drawing.curve(place(*panel.beneath), stroke=GREY, width=2.2, dashed=True)
    if panel.readings is not None:
        at, value, out = panel.readings
        drawing.dots(place(at[~out], value[~out]))
        drawing.dots(place(at[out], value[out]), hollow=True)
    drawing.curve(place(panel.at, panel.value), stroke=INK)
    drawing.text(left, top - 7, panel.title, size=12, bold=True)

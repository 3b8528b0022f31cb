"""A bench's table made clean: what is taken out or put right, each with its size, and the lobe that is left.

The raw table stays as it was. In order: angles wrapped, repeats counted, the event found, the base circle fitted with
its level, runout and drift, a bump on it and single wild readings left out, and the whole smoothed (`smoothing`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from service.domain.arrays import Floats, Ints
from service.lobe.base_circle import base_columns, bump_on, fit_base, wave_can_be_told
from service.lobe.curve import LiftCurve
from service.lobe.event import about_the_nose, base_rows, event, need_base, outside, rough_event, step_of
from service.lobe.lift_table import RawTable, bad, check_table
from service.lobe.smoothing import STIFFER, Smoothed, smooth
from service.lobe.spikes import crowd, foretold, lone_spikes, wild_pair, wild_readings

Flags = NDArray[np.bool_]


class CorrectionKind(StrEnum):
    """What was put right in a table."""

    ZERO = "zero"
    RUNOUT = "runout"
    ZERO_DRIFT = "zero_drift"
    SPIKE = "spike"
    BUMP = "decompressor"
    REPEATED_ANGLE = "repeated_angle"


@dataclass(frozen=True)
class Correction:
    """One thing put right. `size_mm` is its largest effect: a runout's is the indicator's whole swing over a turn.

    `rows` are the rows it concerns where it concerns some and not all, counted from 0.
    """

    kind: CorrectionKind
    size_mm: float
    sd_mm: float | None = None
    rows: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class CleanTable:
    """A table worked out. `curve` is in unwrapped cam degrees as the shaft turns, its nose within the first turn.

    `used` flags the rows that were fitted; `clean_mm` are all rows less level, runout and drift. `noise_mm` is one
    reading's, `freedom` how many free numbers the shape is worth, `step_deg` the usual step.
    """

    raw: RawTable
    curve: LiftCurve
    corrections: tuple[Correction, ...]
    used: Flags
    clean_mm: Floats
    noise_mm: float
    freedom: float
    step_deg: float


def clean(raw: RawTable) -> CleanTable:
    """Clean and smooth a table; raises `BadTable` naming the row for one that no lobe can have made."""
    check_table(raw)
    nose, from_nose = about_the_nose(raw)
    lift = raw.lift_mm
    step = step_of(from_nose)
    least = raw.written_step_mm / math.sqrt(12)  # rounding to a step (JCGM 100, F.2.2.1)
    edges = rough_event(from_nose, lift, step)
    order = np.arange(lift.size, dtype=float)
    wave = wave_can_be_told(from_nose, outside(from_nose, edges, 10.0))
    columns = base_columns(from_nose, order, wave=wave, drift=False)
    on_base = base_rows(from_nose, edges)
    bump = np.zeros(lift.size, bool)
    base = fit_base(columns, lift, on_base)
    for _ in range(2):
        residual = lift - base.at(columns)
        bump |= bump_on(residual, from_nose, on_base, base.scale_mm)
        edges = event(from_nose, residual, base.scale_mm, step, edges, bump)
        on_base = outside(from_nose, edges, 0.0) & ~bump
        need_base(on_base, from_nose)
        base = fit_base(columns, lift, on_base)
    _refuse_below_base(lift - base.at(columns), base.scale_mm)
    drifting = base_columns(from_nose, order, wave=wave, drift=True)
    with_drift = fit_base(drifting, lift, on_base)
    if wave and abs(with_drift.coefficients[-1]) > max(4 * with_drift.sd[-1], 1.5 * with_drift.scale_mm):
        columns, base = drifting, with_drift
    residual = lift - base.at(columns)
    spiked = on_base & (np.abs(residual) > 5 * base.scale_mm)
    spiked |= lone_spikes(from_nose, residual, base.scale_mm, spiked | bump)
    used = ~bump & ~spiked
    fit = smooth(from_nose[used], lift[used], columns[used], *edges, step, (), least)
    for _ in range(4):
        wild = wild_pair(fit, from_nose[used])
        if not wild.any():
            wild = wild_readings(fit, from_nose[used])
        if not wild.any():
            break
        used[np.flatnonzero(used)[wild]] = False
        fit = smooth(from_nose[used], lift[used], columns[used], *edges, step, (), least)
    together = crowd(from_nose, ~used & ~bump)
    if together.any():
        again = used & ~together
        for _ in range(int(together.sum())):
            fit = smooth(from_nose[again], lift[again], columns[again], *edges, step, (), least)
            back = foretold(fit, from_nose, lift - columns @ fit.wave, together & ~again, step)
            if not back.any():
                break
            again |= back
        if again.sum() > used.sum():
            used = again
    fit = smooth(from_nose[used], lift[used], columns[used], *edges, step, STIFFER, least)
    shape = fit.curve.lift(from_nose)
    fitted = columns @ fit.wave + shape
    outliers = ~used & ~bump
    return CleanTable(
        raw=raw,
        curve=fit.curve.moved(nose),
        corrections=_corrections(raw, fit, lift - fitted, outliers, bump, wave),
        used=used,
        clean_mm=lift - columns @ fit.wave,
        noise_mm=fit.noise_mm,
        freedom=fit.freedom,
        step_deg=step,
    )


def _refuse_below_base(residual: Floats, scale: float) -> None:
    """Single wild rows are spikes; many rows below the base circle are no lobe."""
    below = np.flatnonzero(residual < -max(0.25, 10 * scale))
    if below.size > max(3, 0.03 * residual.size):
        raise bad(f"lies {-residual[below[0]]:.3f} mm below the base circle, as {below.size} rows do", int(below[0]), 1)


def _corrections(
    raw: RawTable, fit: Smoothed, off: Floats, outliers: Flags, bump: Flags, wave: bool
) -> tuple[Correction, ...]:
    found = []
    level, level_sd = float(fit.wave[0]), float(fit.wave_sd[0])
    if abs(level) > max(3 * level_sd, 0.002):
        found.append(Correction(CorrectionKind.ZERO, level, level_sd))
    if wave:
        cosine, sine = fit.wave[1:3]
        swing = 2 * float(np.hypot(cosine, sine))
        sd = 2 * float(np.hypot(*fit.wave_sd[1:3])) / np.sqrt(2)
        found.append(Correction(CorrectionKind.RUNOUT, swing, sd))
    if fit.wave.size in (2, 4):
        found.append(Correction(CorrectionKind.ZERO_DRIFT, float(fit.wave[-1]), float(fit.wave_sd[-1])))
    if bump.any():
        rows = np.flatnonzero(bump)
        found.append(Correction(CorrectionKind.BUMP, float(off[rows].max()), None, _rows(rows)))
    if outliers.any():
        rows = np.flatnonzero(outliers)
        worst = rows[np.abs(off[rows]).argmax()]
        found.append(Correction(CorrectionKind.SPIKE, float(off[worst]), None, _rows(rows)))
    repeated = _repeated(raw)
    if repeated is not None:
        found.append(repeated)
    return tuple(found)


def _rows(rows: Ints) -> tuple[int, ...]:
    return tuple(int(row) for row in rows)


def _repeated(raw: RawTable) -> Correction | None:
    """Angles read more than once, and by how much their readings differ at most; all of them are fitted."""
    at = np.round(raw.cam_deg % 360.0, 4)
    _, place, count = np.unique(at, return_inverse=True, return_counts=True)
    again = np.flatnonzero(count > 1)
    if not again.size:
        return None
    highest, lowest = np.full(count.size, -np.inf), np.full(count.size, np.inf)
    np.maximum.at(highest, place, raw.lift_mm)
    np.minimum.at(lowest, place, raw.lift_mm)
    size = float((highest - lowest)[again].max())
    return Correction(CorrectionKind.REPEATED_ANGLE, size, None, _rows(np.flatnonzero(count[place] > 1)))

"""Where the lobe is in a table: its nose, the event it lifts through, and the base circle that is left."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from service.domain.arrays import Floats
from service.lobe.lift_table import RawTable, bad

Flags = NDArray[np.bool_]
Edges = tuple[float, float]
"""Where an event starts and stops, in cam degrees from the nose."""


def about_the_nose(raw: RawTable) -> tuple[float, Floats]:
    """(the highest angle, within 0 to 360; every row's angle from it, -180 to 180), wild single rows passed over."""
    wrapped = raw.cam_deg % 360.0
    order = np.argsort(wrapped, kind="stable")
    calm = median_filter(raw.lift_mm[order], size=5, mode="wrap")
    top = np.flatnonzero(calm == calm.max())
    nose = float(wrapped[order][top[top.size // 2]])
    return nose, np.asarray((wrapped - nose + 180.0) % 360.0 - 180.0)


def step_of(from_nose: Floats) -> float:
    """The usual distance between two angles read, in cam degrees."""
    gaps = np.diff(np.unique(np.round(from_nose, 4)))
    return float(np.median(gaps))


def rough_event(from_nose: Floats, lift: Floats, step: float) -> Edges:
    """The event to a few degrees; refuses tables that show no whole event."""
    order = np.argsort(from_nose, kind="stable")
    at, calm = from_nose[order], median_filter(lift[order], size=5, mode="nearest")
    low, high = _level(calm), float(calm.max())
    floor = low + 0.06 * (high - low)
    top = int(np.argmin(np.abs(at)))
    before, after = np.flatnonzero(calm[:top] <= floor), top + np.flatnonzero(calm[top:] <= floor)
    if not before.size or not after.size:
        side = 0 if not before.size else at.size - 1
        raise bad("the lift never comes back to the base circle on one side of the nose", int(order[side]), 1)
    edges = float(at[before[-1]]), float(at[after[0]])
    inside = (at > edges[0]) & (at < edges[1])
    gaps = np.diff(at[(at >= edges[0]) & (at <= edges[1])])
    if inside.sum() < 6:
        raise bad("has fewer than 6 readings on the lobe itself", int(order[top]))
    if gaps.max() > max(20.0, 3 * step):
        first = int(np.flatnonzero(at >= edges[0])[0] + gaps.argmax())
        raise bad(f"has a gap of {gaps.max():.0f} cam degrees on the lobe after this row", int(order[first]), 0)
    clear = outside(at, edges, 15.0)
    if clear.any() and float(calm[clear].max()) > low + 0.5 * (high - low):
        second = order[clear][int(calm[clear].argmax())]
        raise bad("is the top of a second nose; give each lobe a table of its own", int(second), 1)
    return edges


def _level(calm: Floats) -> float:
    """The base circle's level, roughly: where, below half height, readings are thickest."""
    half = (float(calm.min()) + float(calm.max())) / 2
    counts, bins = np.histogram(calm[calm < half], bins=25)
    most = int(counts.argmax())
    return float(bins[most] + bins[most + 1]) / 2


def outside(from_nose: Floats, edges: Edges, margin: float) -> Flags:
    """Rows outside an event by more than `margin` cam degrees."""
    return np.asarray((from_nose < edges[0] - margin) | (from_nose > edges[1] + margin))


def base_rows(from_nose: Floats, edges: Edges) -> Flags:
    """Rows surely on the base circle: well clear of the event where there are enough such, else those outside it."""
    clear = outside(from_nose, edges, 12.0)
    rows = clear if clear.sum() >= 8 else from_nose_at_oroutside(from_nose, edges)
    need_base(rows, from_nose)
    return rows


def from_nose_at_oroutside(from_nose: Floats, edges: Edges) -> Flags:
    """Rows at the event's edges or beyond them."""
    return np.asarray((from_nose <= edges[0]) | (from_nose >= edges[1]))


def need_base(on_base: Flags, from_nose: Floats) -> None:
    """Refuse a table with too little of the base circle."""
    if on_base.sum() < 3:
        last = int(np.argmax(np.abs(from_nose)))
        raise bad("has no base circle: at least 3 readings of it are needed beside the lobe", last)


def event(from_nose: Floats, residual: Floats, scale: float, step: float, rough: Edges, bump: Flags) -> Edges:
    """Where the lift has sunk into the noise on both sides, and a little beyond."""
    order = np.argsort(from_nose, kind="stable")
    order = order[~bump[order]]
    at = from_nose[order]
    calm = median_filter(residual[order], size=3, mode="nearest")
    points = max(3, round(8.0 / step))
    margin = max(3.0, 1.5 * step)
    edges = []
    for side, known in ((-1, rough[0]), (1, rough[1])):
        outward = np.flatnonzero(at * side >= known * side)
        outward = outward[::-1] if side < 0 else outward
        values = calm[outward]
        edge = float(at[outward[-1]]) if outward.size else known
        for i in range(values.size):
            window = values[i : i + points]
            # a median of three is about as noisy as the mean of two
            if window.mean() < 2.0 * scale / np.sqrt(max(window.size / 2, 1.0)):
                edge = float(at[outward[i]])
                break
        edges.append(float(np.clip(edge + side * margin, -179.0, 179.0)))
    return edges[0], edges[1]

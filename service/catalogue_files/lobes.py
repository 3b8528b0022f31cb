"""Checks one lobe of a part: sizes, tolerances, durations, lift table."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise

from service.catalogue_files.faults import FaultList, Path
from service.catalogue_files.fields import Bounds, Fields, decimal_at
from service.domain.catalogue import FollowerKind, LiftTable, LobeNominal, StatedDuration, Tolerance
from service.domain.readings import Degrees
from service.domain.units import LengthUnit

LIFT = Bounds("a lobe lift", Decimal(1), Decimal(40))
BASE_CIRCLE = Bounds("a base circle", Decimal(6), Decimal(150))
LASH = Bounds("a lash", Decimal(0), Decimal(2))
LIMIT = Bounds("a limit", Decimal(0), Decimal(3))
ROLLER = Bounds("a roller's radius", Decimal(1), Decimal(60))
CHECKING_LIFT = Bounds("a checking lift", Decimal("0.01"), Decimal(20))

NOSE_AGREES_MM = Decimal("0.05")
"""A table's lift at the nose may differ from the stated lift by this much: either may be rounded, to 0.002 in."""
LONGEST_TABLE = 1500


def read_tolerance(fields: Fields, nominal_mm: Decimal | None, unit: LengthUnit) -> Tolerance | None:
    """Limits on both sides of a nominal, both stated or neither, both distances, so that they bracket it."""
    if fields.get("minus") is None and fields.get("plus") is None:
        return None
    minus = fields.length_mm("minus", unit, LIMIT, required=True)
    plus = fields.length_mm("plus", unit, LIMIT, required=True)
    if minus is None or plus is None:
        return None
    if nominal_mm is not None and minus >= nominal_mm:
        fields.fault("minus", "must be less than the size it belongs to")
        return None
    return Tolerance(float(minus), float(plus))


def read_rocker_ratio(fields: Fields, name: str) -> Decimal | None:
    """Valve lift over lobe lift."""
    return fields.positive(name, places=5, below=10)


def read_crank_degrees(fields: Fields, name: str) -> Decimal | None:
    """How long a duration is; it must be stated."""
    return fields.positive(name, required=True, places=3, below=720)


def read_lobe(value: object, path: Path, unit: LengthUnit, faults: FaultList) -> LobeNominal | None:
    """A lobe, or None after adding what is wrong with it."""
    before = len(faults)
    known = ("lift", "base_circle", "lash", "rocker_ratio", "tolerances", "durations", "lift_table")
    fields = Fields(value, path, faults, known)
    lift = fields.length_mm("lift", unit, LIFT, required=True)
    base = fields.length_mm("base_circle", unit, BASE_CIRCLE, required=True)
    if lift is not None and base is not None and lift >= base:
        fields.fault("lift", "is not below the base circle; are the two swapped?")
    lash = fields.length_mm("lash", unit, LASH)
    ratio = read_rocker_ratio(fields, "rocker_ratio")
    limits: dict[str, Tolerance | None] = {}
    if fields.get("tolerances") is not None:
        of = Fields(fields.get("tolerances"), (*path, "tolerances"), faults, ("lift", "base_circle"))
        for name, nominal in (("lift", lift), ("base_circle", base)):
            if of.get(name) is not None:
                its = Fields(of.get(name), (*of.path, name), faults, ("minus", "plus"))
                limits[name] = read_tolerance(its, nominal, unit)
    durations = _read_durations(fields, lift, unit)
    table = None
    if fields.get("lift_table") is not None:
        table = _read_lift_table(fields.get("lift_table"), (*path, "lift_table"), lift, unit, faults)
    if lift is None or base is None or len(faults) > before:
        return None
    return LobeNominal(
        lift_mm=float(lift),
        base_circle_mm=float(base),
        lash_mm=None if lash is None else float(lash),
        rocker_ratio=None if ratio is None else float(ratio),
        lift_tolerance=limits.get("lift"),
        base_circle_tolerance=limits.get("base_circle"),
        durations=durations,
        lift_table=table,
    )


def _read_durations(fields: Fields, lift_mm: Decimal | None, unit: LengthUnit) -> tuple[StatedDuration, ...]:
    """Durations in the order of their checking lifts; they must fall as it rises."""
    found: list[tuple[Decimal, Decimal, Path]] = []
    for i, entry in enumerate(fields.list_of("durations")):
        row = Fields(entry, (*fields.path, "durations", i), fields.faults, ("checking_lift", "crank_degrees"))
        at = row.length_mm("checking_lift", unit, CHECKING_LIFT, required=True)
        degrees = read_crank_degrees(row, "crank_degrees")
        if at is not None and lift_mm is not None and at >= lift_mm:
            row.fault("checking_lift", "must be below the lobe's lift")
        if at is not None and degrees is not None:
            found.append((at, degrees, row.path))
    found.sort(key=lambda entry: entry[0])
    for (at, degrees, _), (higher_at, shorter, path) in pairwise(found):
        if higher_at == at:
            fields.faults.add(path, "this checking lift has been stated before")
        elif shorter >= degrees:
            fields.faults.add(path, "a duration must be shorter than that at any lower checking lift")
    return tuple(StatedDuration(float(at), float(degrees)) for at, degrees, _ in found)


def _read_lift_table(
    value: object, path: Path, lift_mm: Decimal | None, unit: LengthUnit, faults: FaultList
) -> LiftTable | None:
    """A lift table, its angles brought to cam degrees; angle 0 is the nose and carries the stated lift."""
    before = len(faults)
    fields = Fields(value, path, faults, ("follower", "angle", "table"))
    follower = fields.get("follower", required=True)
    kind, radius = None, None
    if follower is not None:
        of = Fields(follower, (*path, "follower"), faults, ("kind", "radius"))
        kind = of.choice("kind", FollowerKind, required=True)
        radius = of.length_mm("radius", unit, ROLLER, required=kind is FollowerKind.ROLLER)
        if kind in (FollowerKind.FLAT, FollowerKind.POINT) and radius is not None:
            of.fault("radius", "only a roller has a radius")
    per_cam_degree = 2 if fields.choice("angle", Degrees) is Degrees.CRANK else 1
    # half a crank angle has one decimal more, and must come back as it was written out
    places = 3 if per_cam_degree == 2 else 4
    rows = fields.list_of("table", required=True)
    if fields.get("table") is not None and not 2 <= len(rows) <= LONGEST_TABLE:
        fields.fault("table", f"must have 2 to {LONGEST_TABLE} rows")
        return None
    points: list[tuple[Decimal, Decimal, Path]] = []
    for i, row in enumerate(rows):
        at = (*path, "table", i)
        if not isinstance(row, list | tuple) or len(row) != 2:
            faults.add(at, "must be a pair of an angle and a lift")
            continue
        angle, lift = decimal_at((*at, 0), row[0], faults, places), decimal_at((*at, 1), row[1], faults)
        if angle is not None and lift is not None:
            points.append((angle / per_cam_degree, lift * unit.mm, at))
    if len(faults) == before:
        _check_points(points, fields, lift_mm)
    if len(faults) > before or kind is None:
        return None
    return LiftTable(
        kind,
        tuple((float(angle), float(lift)) for angle, lift, _ in points),
        None if radius is None else float(radius),
    )


def _check_points(points: list[tuple[Decimal, Decimal, Path]], fields: Fields, lift_mm: Decimal | None) -> None:
    for (angle, _, _), (later, _, path) in pairwise(points):
        if later <= angle:
            fields.faults.add((*path, 0), "angles must rise from row to row")
            return
    if points[-1][0] - points[0][0] > 360 or any(abs(angle) > 360 for angle, _, _ in points):
        fields.fault("table", "must not span more than one turn of the cam")
    nose = next((point for point in points if point[0] == 0), None)
    if nose is None:
        fields.fault("table", "must have a row for angle 0, the nose")
        return
    if lift_mm is not None and abs(nose[1] - lift_mm) > NOSE_AGREES_MM:
        fields.faults.add((*nose[2], 1), "the lift at angle 0, the nose, is not the stated lift")
    for _, lift, path in points:
        if lift > nose[1] + NOSE_AGREES_MM:
            fields.faults.add((*path, 1), "is more than the lift at angle 0; angle 0 must be the nose")
        elif lift < -NOSE_AGREES_MM:
            fields.faults.add((*path, 1), "lies below the base circle")

"""A small valid catalogue to be spoilt one field at a time; everything in it is invented."""

from __future__ import annotations

import copy
from typing import Any

from service.domain.catalogue import Catalogue
from service.identification.catalogue_table.table import build_table
from service.identification.look_alikes.look_alike_map import LookAlike, look_alikes

Json = dict[str, Any]

_CORE: Json = {
    "code": "C1",
    "name": "First core",
    "engine_families": ["Family one"],
    "gear_teeth": 28,
    "overall_length": "5.120",
    "journals": [
        {"position": "front", "diameter": "0.7500", "minus": "0.0005", "plus": "0"},
        {"position": "rear", "diameter": "0.7500"},
    ],
}
_LOBE: Json = {
    "lift": "0.3130",
    "base_circle": "0.8610",
    "lash": "0.006",
    "rocker_ratio": "1.1",
    "tolerances": {
        "lift": {"minus": "0.001", "plus": "0.002"},
        "base_circle": {"minus": "0.002", "plus": "0.002"},
    },
    "durations": [
        {"checking_lift": "0.020", "crank_degrees": "262.5"},
        {"checking_lift": "0.050", "crank_degrees": "232"},
    ],
    "lift_table": {
        "follower": {"kind": "flat"},
        "angle": "cam",
        "table": [[-4, "0.3114"], [-2, "0.3126"], [0, "0.3130"], [2, "0.3126"], [4, "0.3114"]],
    },
}
_PART: Json = {
    "part_number": "P-1",
    "core": "C1",
    "title": "A grind",
    "status": "current",
    "superseded_by": None,
    "units_sold": 120,
    "lobe_separation": "108",
    "lobes": {"intake": _LOBE, "exhaust": {"lift": "0.3080", "base_circle": "0.8610"}},
}


def core(**changes: Any) -> Json:
    """A core with every field; `changes` set fields anew."""
    return copy.deepcopy(_CORE) | changes


def lobe(**changes: Any) -> Json:
    """A lobe with every field."""
    return copy.deepcopy(_LOBE) | changes


def plain_lobe(lift: str = "0.3130", base_circle: str = "0.8610", **more: Any) -> Json:
    """A lobe with what it must have."""
    return {"lift": lift, "base_circle": base_circle} | more


def part(**changes: Any) -> Json:
    """A part with every field."""
    return copy.deepcopy(_PART) | changes


def catalogue(**changes: Any) -> Json:
    """A catalogue of two parts on one core, the second superseded by the first."""
    old = part(part_number="P-0", status="superseded", superseded_by="P-1")
    return {"unit": "in", "note": "Invented.", "cores": [core()], "parts": [part(), old]} | changes


def with_value(document: Json, path: str, value: Any) -> Json:
    """A copy of `document` with the field at a path like `parts/0/lobes/intake/lift` set."""
    changed = copy.deepcopy(document)
    *steps, last = [int(step) if step.isdigit() else step for step in path.split("/")]
    target: Any = changed
    for step in steps:
        target = target[step]
    target[last] = value
    return changed


def without(document: Json, path: str) -> Json:
    """A copy of `document` without the field at a path."""
    changed = copy.deepcopy(document)
    *steps, last = [int(step) if step.isdigit() else step for step in path.split("/")]
    target: Any = changed
    for step in steps:
        target = target[step]
    del target[last]
    return changed


def indistinct_pairs(of: Catalogue) -> tuple[LookAlike, ...]:
    """The look-alikes of a catalogue to whoever has a caliper."""
    return look_alikes(build_table(of))

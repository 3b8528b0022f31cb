"""What an engine version answers by as JSON, for good: the measuring model's constants, the parts' shares of callers.

All constants are written, so a version stays what it was when the code's own change. A constant that came to be later
is taken at the code's own value.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import msgspec

from service.adapters.stored_types import reader
from service.identification.learning.demand import Demand
from service.identification.measuring.model import MeasuringModel

_READ = reader(MeasuringModel)


def constants_to_stored(model: MeasuringModel) -> dict[str, Any]:
    """All constants as JSON."""
    stored: dict[str, Any] = msgspec.to_builtins(model, enc_hook=_plain)
    return stored


def constants_from_stored(stored: dict[str, Any]) -> MeasuringModel:
    """Constants out of their stored form."""
    model = _READ(stored)
    kept: dict[str, Any] = {
        name: MappingProxyType(value) for name, value in vars(model).items() if isinstance(value, dict)
    }
    return dataclasses.replace(model, **kept)


def demand_to_stored(demand: Demand) -> dict[str, Any]:
    """What was learned of the parts' shares as JSON, by part number."""
    return {
        "callers": dict(demand.callers),
        "core_spread": float(demand.core_spread),
        "part_spread": float(demand.part_spread),
    }


def demand_from_stored(stored: dict[str, Any]) -> Demand:
    """The same out of its stored form."""
    callers = tuple(sorted((str(number), int(count)) for number, count in stored["callers"].items()))
    return Demand(callers, float(stored["core_spread"]), float(stored["part_spread"]))


def _plain(value: object) -> object:
    """What msgspec does not know: mappings that cannot be changed, and numpy's floats, which the fitting leaves."""
    return dict(value) if isinstance(value, Mapping) else float(value)  # type: ignore[arg-type]

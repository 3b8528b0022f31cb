"""The measuring model's constants as JSON, for good.

All of them are written, so a version stays what it was when the code's own constants change. A constant that came to be
later is taken at the code's own value.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from cattrs import Converter

from service.domain.readings import Instrument
from service.identification.measuring import MeasuringModel, ToolErrors


def _converter() -> Converter:
    converter = Converter()
    converter.register_unstructure_hook(float, float)  # numpy's floats are floats to Python, and nothing to orjson
    converter.register_unstructure_hook_func(
        lambda kind: kind == Mapping[Instrument, ToolErrors],
        lambda tools: {instrument.value: converter.unstructure(tool) for instrument, tool in tools.items()},
    )
    converter.register_structure_hook_func(
        lambda kind: kind == Mapping[Instrument, ToolErrors],
        lambda stored, _: MappingProxyType(
            {Instrument(name): converter.structure(tool, ToolErrors) for name, tool in stored.items()}
        ),
    )
    converter.register_structure_hook_func(
        lambda kind: kind == Mapping[str, float],
        lambda stored, _: MappingProxyType({str(name): float(value) for name, value in stored.items()}),
    )
    return converter


_CONVERTER = _converter()


def constants_to_stored(model: MeasuringModel) -> dict[str, Any]:
    """All constants as JSON."""
    stored: dict[str, Any] = _CONVERTER.unstructure(model)
    return stored


def constants_from_stored(stored: dict[str, Any]) -> MeasuringModel:
    """Constants out of their stored form."""
    return _CONVERTER.structure(stored, MeasuringModel)

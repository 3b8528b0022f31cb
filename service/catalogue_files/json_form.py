"""The JSON form of a catalogue."""

from __future__ import annotations

from collections.abc import Mapping

import orjson

from service.catalogue_files.checked import Checked, checked
from service.catalogue_files.faults import FaultList, Path, json_pointer
from service.catalogue_files.rows import OnProgress, read_document
from service.domain.catalogue import Catalogue

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def read_json(data: bytes | Mapping[str, object]) -> Catalogue:
    """Read a catalogue from JSON text, or from JSON already read; raises `CatalogueFaults`."""
    return check_json(data).taken()


def check_json(data: bytes | Mapping[str, object], told: OnProgress | None = None) -> Checked:
    """Read a catalogue from JSON text, or from JSON already read."""
    document: object = data
    faults = FaultList(json_pointer, lambda path: _value_at(document, path))
    if isinstance(data, bytes):
        try:
            document = orjson.loads(data.removeprefix(_BYTE_ORDER_MARK))
        except orjson.JSONDecodeError as error:
            faults.add_at("", f"is not JSON: {error.msg} in line {error.lineno}, column {error.colno}")
            return checked(None, faults)
    return checked(read_document(document, faults, told), faults)


def _value_at(document: object, path: Path) -> str | None:
    """What stands at a path, where it is one value."""
    value = document
    for step in path:
        try:
            value = value[step]  # type: ignore[index]
        except (LookupError, TypeError):
            return None
    return str(value) if isinstance(value, str | int | float) and value != "" else None

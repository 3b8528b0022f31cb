"""The JSON form of a catalogue."""

from __future__ import annotations

from collections.abc import Mapping

import orjson

from service.catalogue_files.faults import FaultList, json_pointer
from service.catalogue_files.rows import read_document
from service.domain.catalogue import Catalogue

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"


def read_json(data: bytes | Mapping[str, object]) -> Catalogue:
    """Read a catalogue from JSON text, or from JSON already read; raises `CatalogueFaults`."""
    faults = FaultList(json_pointer)
    document: object = data
    if isinstance(data, bytes):
        try:
            document = orjson.loads(data.removeprefix(_BYTE_ORDER_MARK))
        except orjson.JSONDecodeError as error:
            faults.add((), f"is not JSON: {error.msg} in line {error.lineno}, column {error.colno}")
            faults.raise_if_any()
    return read_document(document, faults)

"""A catalogue revision as the engine reads it, as bytes and back, to the last bit: an array each, the rest as JSON."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import orjson

from service.identification.catalogue_table.table import CatalogueTable


@dataclass(frozen=True)
class StoredColumn:
    """One member of a table: `form` is numpy's name for an array's numbers, as they lie in little-endian machines.

    Of an array of several dimensions only so much of the last one is in `value` as anything is stated in.
    """

    name: str
    form: str
    shape: tuple[int, ...]
    value: bytes


_JSON = "json"
_BACK: Mapping[str, Callable[[Any], object]] = {
    "part_numbers": tuple,
    "class_numbers": lambda value: tuple(map(tuple, value)),
    "core_codes": tuple,
    "core_families": lambda value: tuple(map(frozenset, value)),
    "families": frozenset,
    "journal_mean": float,
    "journal_spread": float,
}


def stored_table(table: CatalogueTable) -> Iterator[StoredColumn]:
    """Every member of a table."""
    for field in fields(table):
        value = getattr(table, field.name)
        if isinstance(value, np.ndarray):
            form = value.dtype.newbyteorder("<").str
            kept = value[..., : _stated(value)] if value.ndim > 2 else value
            yield StoredColumn(field.name, form, value.shape, kept.astype(form, copy=False).tobytes())
        else:
            yield StoredColumn(field.name, _JSON, (), orjson.dumps(value, default=sorted))


def read_table(columns: Iterable[StoredColumn]) -> CatalogueTable:
    """The table of all its members; raises `TypeError` where one is missing."""
    return CatalogueTable(**{column.name: _value(column) for column in columns})


def _value(column: StoredColumn) -> Any:
    if column.form == _JSON:
        return _BACK[column.name](orjson.loads(column.value))
    form = np.dtype(column.form)
    rows = int(np.prod(column.shape[:-1]))
    stated = len(column.value) // form.itemsize // max(rows, 1)
    kept = np.frombuffer(column.value, form).reshape(*column.shape[:-1], stated if rows else column.shape[-1])
    native = form.newbyteorder("=")
    if kept.shape == column.shape:
        return kept.astype(native)
    whole = np.full(column.shape, np.nan, native)
    whole[..., :stated] = kept
    return whole


def _stated(value: Any) -> int:
    """How much of the last dimension holds anything."""
    held = np.flatnonzero(np.isfinite(value).any(axis=tuple(range(value.ndim - 1))))
    return int(held[-1]) + 1 if held.size else 0

"""A catalogue on disk: one JSON file, or a folder with `cores.csv`, `parts.csv` and perhaps `lift_tables.csv`."""

from __future__ import annotations

from pathlib import Path

from service.catalogue_files import read_csv, read_json
from service.domain.catalogue import Catalogue
from service.domain.errors import InvalidInput


def read_source(source: Path) -> Catalogue:
    """Read the catalogue at `source`; raises `InvalidInput` that names every bad row, or the file that is missing."""
    if source.is_dir():
        tables = source / "lift_tables.csv"
        return read_csv(
            _bytes_of(source / "cores.csv"),
            _bytes_of(source / "parts.csv"),
            _bytes_of(tables) if tables.exists() else None,
        )
    if source.suffix.lower() == ".csv":
        raise InvalidInput(f"{source} is one file of several: name the folder that holds cores.csv and parts.csv.")
    return read_json(_bytes_of(source))


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InvalidInput(f"{path} cannot be read: {error.strerror or error}.") from None

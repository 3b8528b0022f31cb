"""A catalogue on disk: one JSON file, an `.xlsx` workbook, or a folder with `cores.csv`, `parts.csv` and perhaps
`lift_tables.csv`."""

from __future__ import annotations

from pathlib import Path

from service.catalogue_files import Checked, check_csv
from service.catalogue_files.named_files import check_files
from service.catalogue_files.rows import OnProgress
from service.domain.catalogue import Catalogue
from service.domain.errors import InvalidInput


def check_source(source: Path, told: OnProgress | None = None) -> Checked:
    """Read the catalogue at `source` and check it; raises `InvalidInput` where there is nothing to be read."""
    if source.is_dir():
        tables = source / "lift_tables.csv"
        return check_csv(
            _bytes_of(source / "cores.csv"),
            _bytes_of(source / "parts.csv"),
            _bytes_of(tables) if tables.exists() else None,
            told,
        )
    if source.suffix.lower() == ".csv":
        raise InvalidInput(f"{source} is one file of several: name the folder that holds cores.csv and parts.csv.")
    return check_files({source.name: _bytes_of(source)}, told)


def read_source(source: Path) -> Catalogue:
    """The catalogue at `source`; raises `InvalidInput` that names every bad row, or the file that is missing."""
    return check_source(source).taken()


def write_corrected(checked: Checked, folder: Path) -> list[Path]:
    """Write the sheets anew into `folder`, made where it is not there; raises `InvalidInput` if it holds anything."""
    if folder.exists() and any(folder.iterdir()):
        raise InvalidInput(f"{folder} is not empty; name another folder for the corrected files.")
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name, text in checked.corrected.items():
        written.append(folder / name)
        written[-1].write_text(text(), encoding="utf-8", newline="")
    return written


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise InvalidInput(f"{path} cannot be read: {error.strerror or error}.") from None

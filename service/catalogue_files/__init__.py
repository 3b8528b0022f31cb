"""Reads a catalogue as suppliers keep it (JSON, CSV) into domain values, naming every bad row and why.

Pure: text in, a `Checked` out: the catalogue or its faults, and what is doubtful. The HTTP route uses the same reader.

`json_form`, `csv_form` and `workbook_form` bring what they read into one document of the contract's JSON shape and say
where each of its fields came from; `rows`, `lobes` and `whole` check that document, `doubts` what it makes. Another
form needs only its own first step. `workbook_form` is not imported here: its library is slow to import.
"""

from service.catalogue_files.checked import Checked
from service.catalogue_files.csv_form import check_csv, read_csv
from service.catalogue_files.faults import CatalogueFaults, PlacedFault
from service.catalogue_files.json_form import check_json, read_json

__all__ = [
    "CatalogueFaults", "Checked", "PlacedFault", "check_csv", "check_json", "read_csv", "read_json",
]  # fmt: skip

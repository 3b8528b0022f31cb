"""Reads a catalogue as suppliers keep it (JSON, CSV) into domain values, naming every bad row and why.

Pure: text in, a `Catalogue` or a list of faults out. The HTTP route for revisions uses the same reader.

`json_form` and `csv_form` bring their text into one document of the contract's JSON shape and say where each of its
fields came from; `rows`, `lobes` and `whole` check that document. Another form needs only its own first step.
"""

from service.catalogue_files.csv_form import read_csv
from service.catalogue_files.faults import CatalogueFaults
from service.catalogue_files.json_form import read_json

__all__ = ["CatalogueFaults", "read_csv", "read_json"]

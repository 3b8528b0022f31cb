"""The catalogue as arrays, made once a revision."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.catalogue import Catalogue
from service.identification.measuring import DEFAULT_MODEL, MeasuringModel


@dataclass(frozen=True)
class CatalogueTable:
    """A catalogue revision as the engine reads it."""

    catalogue: Catalogue


def build_table(catalogue: Catalogue, model: MeasuringModel = DEFAULT_MODEL) -> CatalogueTable:
    """Make the table of a catalogue."""
    return CatalogueTable(catalogue)

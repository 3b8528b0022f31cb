"""What is found when a catalogue is read: the catalogue or its faults, what is doubtful, and how it was read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from service.catalogue_files.doubts import doubts_of
from service.catalogue_files.faults import FaultList, faults_error
from service.domain.catalogue import Catalogue
from service.domain.errors import Fault


@dataclass(frozen=True)
class Checked:
    """A catalogue as it was read. `catalogue` is None exactly where there are `faults`.

    `doubts` are warnings; `remarks` say what was made of the files' ways of writing; `corrected` writes the
    sheets anew as the contract has them, by file name: all that could be brought into form without a guess.
    """

    catalogue: Catalogue | None
    faults: tuple[Fault, ...]
    doubts: tuple[Fault, ...] = ()
    remarks: tuple[str, ...] = ()
    corrected: Mapping[str, Callable[[], str]] = field(default_factory=dict)

    def taken(self) -> Catalogue:
        """The catalogue; raises `CatalogueFaults` where there is none."""
        if self.catalogue is None:
            raise faults_error(self.faults)
        return self.catalogue


def checked(
    catalogue: Catalogue | None,
    faults: FaultList,
    remarks: tuple[str, ...] = (),
    corrected: Mapping[str, Callable[[], str]] | None = None,
) -> Checked:
    """The result of reading, with what is doubtful about a catalogue that has no faults."""
    doubts = () if catalogue is None else doubts_of(catalogue, faults.place)
    return Checked(catalogue, faults.all, doubts, remarks, corrected or {})

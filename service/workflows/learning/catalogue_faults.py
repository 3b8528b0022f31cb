"""The report on faults of the catalogue, from the cases whose truth came out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from uuid import UUID

from service.identification.learning.catalogue_faults import FaultReport, find_faults
from service.identification.learning.nominal_sights import KnownShaft, MeasuredLift
from service.lobe.analysis import analyse
from service.workflows.catalogue.read_catalogue import active_revision
from service.workflows.identifying.engine_versions import constants_of
from service.workflows.identifying.weighed_tables import weighed
from service.workflows.ports.lift_tables import KeptSheet
from service.workflows.ports.stores import Stores


@dataclass(frozen=True)
class FaultsFound:
    """The report on one revision, and the references of the cases it names, by their ids."""

    revision: int
    report: FaultReport
    references: dict[str, str]


def report_on_faults(stores: Stores) -> FaultsFound:
    """Hold every confirmed case against the active revision; raises `Unavailable` before the first import."""
    with stores.transaction() as transaction:
        revision = active_revision(transaction)
        catalogue = transaction.catalogue.load(revision)
        model = constants_of(transaction, transaction.engine_versions.active())
        confirmed = transaction.record.confirmed_parts()
        sheets: dict[UUID, list[KeptSheet]] = defaultdict(list)
        for kept in transaction.lift_tables.of_submissions([one.submission_id for one in confirmed]):
            if kept.submission_id is not None:
                sheets[kept.submission_id].append(kept)
    shafts = [
        KnownShaft(str(one.submission_id), one.truth, one.submission, _lifts(tuple(sheets[one.submission_id])))
        for one in confirmed
    ]
    references = {str(one.submission_id): one.reference for one in confirmed}
    return FaultsFound(revision, find_faults(catalogue, shafts, model), references)


def _lifts(kept: tuple[KeptSheet, ...]) -> tuple[MeasuredLift, ...]:
    """The lifts of a case's kept lift tables."""

    def each() -> Iterator[MeasuredLift]:
        for sent in weighed(kept):
            for lobe in analyse(sent.sheet).lobes:
                lift = lobe.figures.lift
                yield MeasuredLift(lobe.lobe.kind, lift.value, lift.sd)

    return tuple(each())

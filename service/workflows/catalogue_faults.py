"""The report on faults of the catalogue, from the cases whose truth came out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from uuid import UUID

from service.identification.catalogue_faults import FaultReport, find_faults
from service.identification.nominal_sights import KnownShaft, MeasuredLift
from service.lobe.analysis import analyse
from service.workflows.calibrate import constants_of
from service.workflows.ports import Stores, Transaction
from service.workflows.read_catalogue import active_revision
from service.workflows.weighed_tables import weighed


@dataclass(frozen=True)
class FaultsFound:
    """The report on one revision, and the references of the cases it names, by their ids."""

    revision: int
    report: FaultReport
    references: dict[str, str]


def report_on_faults(stores: Stores) -> FaultsFound:
    """Hold every confirmed case against the active revision; raises `Unavailable` before the first import."""
    references: dict[str, str] = {}
    shafts = []
    with stores.transaction() as transaction:
        revision = active_revision(transaction)
        catalogue = transaction.catalogue.load(revision)
        model = constants_of(transaction, transaction.engine_versions.active())
        for confirmed in sorted(transaction.record.confirmed_answers(), key=lambda one: one.submission_id):
            case = None if confirmed.truth is None else transaction.submissions.find(confirmed.submission_id)
            if confirmed.truth is not None and case is not None:
                references[str(case.id)] = case.reference
                lifts = _lifts(transaction, case.id)
                shafts.append(KnownShaft(str(case.id), confirmed.truth, case.submission, lifts))
    return FaultsFound(revision, find_faults(catalogue, shafts, model), references)


def _lifts(transaction: Transaction, case_id: UUID) -> tuple[MeasuredLift, ...]:
    """The lifts of a case's kept lift tables."""

    def each() -> Iterator[MeasuredLift]:
        for sent in weighed(transaction.lift_tables.of_submission(case_id)):
            for lobe in analyse(sent.sheet).lobes:
                lift = lobe.figures.lift
                yield MeasuredLift(lobe.lobe.kind, lift.value, lift.sd)

    return tuple(each())

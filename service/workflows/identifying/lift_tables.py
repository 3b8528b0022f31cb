"""A bench's lift tables worked out, and compared with the active catalogue."""

from __future__ import annotations

from dataclasses import dataclass

from service.identification.bench.condition import LobeCondition, OddLobe, lobe_condition, odd_lobes
from service.identification.catalogue_table.lift_curves import CatalogueCurves
from service.identification.entries.table_evidence import TableCandidate, table_candidates, table_evidence
from service.lobe.analysis import SheetReport, analyse
from service.lobe.sent_sheet import SentSheet
from service.workflows.identifying.snapshot import CatalogueSnapshot, Snapshot
from service.workflows.ports.stores import Stores


@dataclass(frozen=True, eq=False)
class WorkedOut:
    """A sheet worked out. `candidates` is empty where no lobe can be compared (`compared` False).

    `conditions` are the lobes, in order, beside the leading candidate; None where a stranger leads. `odd` are the
    lobes unlike the others of their kind.
    """

    report: SheetReport
    compared: bool
    candidates: tuple[TableCandidate, ...]
    not_in_catalogue_probability: float | None
    conditions: tuple[LobeCondition | None, ...]
    catalogue_revision: int | None
    odd: tuple[OddLobe, ...] = ()


def work_out(stores: Stores, catalogue: CatalogueSnapshot, sent: SentSheet) -> WorkedOut:
    """Work a sheet out and match it. Raises `BadTable` for a table that no lobe can have made.

    Call it with no transaction open: it takes a while.
    """
    snapshot = catalogue.now(stores)
    return work_out_under(snapshot, catalogue.curves(stores, snapshot), sent)


def work_out_under(snapshot: Snapshot, curves: CatalogueCurves, sent: SentSheet) -> WorkedOut:
    """`work_out` under one revision, and the constants that go with it."""
    report = analyse(sent.sheet)
    table, model = snapshot.table, snapshot.model
    odd = odd_lobes(report, model)
    evidence = table_evidence(report, curves, table, model, used=sent.used, direction_known=sent.direction_known)
    if evidence is None:
        return WorkedOut(report, False, (), None, tuple(None for _ in report.lobes), snapshot.revision, odd)
    candidates, outside = table_candidates(evidence, table, model)
    conditions: tuple[LobeCondition | None, ...] = tuple(None for _ in report.lobes)
    if candidates and outside < candidates[0].probability:
        conditions = tuple(lobe_condition(lobe, candidates[0].part, curves, table, model) for lobe in report.lobes)
    return WorkedOut(report, True, candidates, outside, conditions, snapshot.revision, odd)

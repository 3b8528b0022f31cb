"""Making a catalogue the one the desk answers from."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

from service.catalogue_files.rows import OnProgress
from service.domain.catalogue import Catalogue
from service.identification.catalogue_table.table import CatalogueTable, build_table
from service.identification.learning.demand import Demand
from service.identification.look_alikes.look_alike_map import LookAlike, look_alikes
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel
from service.workflows.catalogue.revisions import is_revision, publish_revision
from service.workflows.identifying.engine_versions import answers_by, version_named, version_of
from service.workflows.identifying.snapshot import table_under
from service.workflows.ports.stores import Stores, Transaction


@dataclass(frozen=True)
class ImportReport:
    """What an import brought, or would bring: `revision` is None for a dry run.

    `made` is False where the catalogue is the active revision already: then that is `revision`, and nothing changed.
    """

    revision: int | None
    made: bool
    cores: int
    parts: int
    lift_tables: int
    look_alikes: tuple[LookAlike, ...]


@dataclass(frozen=True)
class WorkedOut:
    """A catalogue that could become a revision: its report, by the constants in use then (None: the code's)."""

    catalogue: Catalogue
    table: CatalogueTable
    report: ImportReport
    constants: str | None


def work_out(stores: Stores, catalogue: Catalogue) -> WorkedOut:
    """Make a catalogue ready to become a revision, with no transaction open."""
    return _worked_out(catalogue, *_constants(stores))


def _constants(stores: Stores) -> tuple[str | None, MeasuringModel, Demand]:
    """The version in use, and what it answers by."""
    with stores.transaction() as transaction:
        constants = transaction.engine_versions.active()
        return constants, *answers_by(version_of(transaction, constants))


def _worked_out(catalogue: Catalogue, constants: str | None, model: MeasuringModel, demand: Demand) -> WorkedOut:
    table = table_under(catalogue, model, demand)
    return WorkedOut(catalogue, table, _report(catalogue, table, model), constants)


def import_catalogue(
    stores: Stores, catalogue: Catalogue, *, who: str, why: str, told: OnProgress | None = None
) -> ImportReport:
    """Make `catalogue` the active revision, all of it or nothing, and report on it; where it is that, make none.

    `catalogue` has been checked where it was read in (`catalogue_files`). Imports at the same time happen one after
    the other; the last one stays active. `told` hears how many parts have been stored, of how many. What the engine
    makes of it is worked out by a second thread meanwhile, for storing is for the most part waiting for the database.
    """
    constants = _constants(stores)
    with ThreadPoolExecutor(1, "import") as beside, stores.transaction() as transaction:
        ready = beside.submit(_worked_out, catalogue, *constants)
        return _made_active(transaction, catalogue, ready.result, who=who, why=why, told=told)


def add_revision(
    transaction: Transaction,
    ready: WorkedOut,
    *,
    who: str,
    why: str,
    check: Callable[[int], None] | None = None,
) -> ImportReport:
    """`import_catalogue` of what was worked out, inside a transaction that is there already.

    Nobody else makes a revision meanwhile: `check` hears which one is active (0: none is), and raises where the caller
    means another.
    """
    return _made_active(transaction, ready.catalogue, lambda: ready, who=who, why=why, check=check)


def _made_active(
    transaction: Transaction,
    catalogue: Catalogue,
    ready: Callable[[], WorkedOut],
    *,
    who: str,
    why: str,
    check: Callable[[int], None] | None = None,
    told: OnProgress | None = None,
) -> ImportReport:
    transaction.catalogue.hold()
    active = transaction.catalogue.active_revision()
    if check is not None:
        check(active or 0)
    if active is not None and is_revision(transaction, active, catalogue):
        return replace(ready().report, revision=active)
    revision = publish_revision(transaction, catalogue, who=who, why=why, told=told)
    found = ready()
    transaction.engine_tables.keep(revision, version_named(found.constants), found.table)
    transaction.look_alikes.keep(revision, version_named(found.constants), found.report.look_alikes)
    return replace(found.report, revision=revision, made=True)


def report_on(catalogue: Catalogue) -> ImportReport:
    """What there is to say of a catalogue where no store is asked: its look-alikes go by the code's own constants."""
    return _report(catalogue, build_table(catalogue, DEFAULT_MODEL), DEFAULT_MODEL)


def _report(catalogue: Catalogue, table: CatalogueTable, model: MeasuringModel) -> ImportReport:
    tables = sum(lobe.lift_table is not None for part in catalogue.parts for lobe in part.lobes.values())
    return ImportReport(None, False, len(catalogue.cores), len(catalogue.parts), tables, look_alikes(table, model))

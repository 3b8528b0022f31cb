"""Learning from confirmed cases: a refit proposed, put to use, taken back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from uuid import UUID

from service.domain.catalogue import Catalogue
from service.domain.errors import NotFound
from service.identification.catalogue_table.table import build_table
from service.identification.learning.calibration import Calibration, LabelledCase, Learn, calibrate
from service.identification.learning.demand import Confirmed, confirmed_unevenly
from service.identification.measuring.model import DEFAULT_MODEL
from service.workflows.catalogue.read_catalogue import active_revision
from service.workflows.identifying.engine_versions import answers_by, version_named
from service.workflows.ports.engine import NewVersion, Version
from service.workflows.ports.stores import Stores, Transaction


@dataclass(frozen=True, eq=False)
class Proposal:
    """What was learned beside what is in use now: `in_use` is None where that is the code's own constants.

    `left_out` counts confirmed cases whose part the catalogue does not have any more; `confirmed` says how evenly cases
    get confirmed.
    """

    calibration: Calibration
    in_use: Version | None
    catalogue_revision: int
    cases: tuple[UUID, ...]
    left_out: int
    confirmed: Confirmed


def propose(stores: Stores, learn: Learn = Learn.BOTH, progress: Callable[[float], None] = lambda _: None) -> Proposal:
    """Refit the code's own constants to every confirmed case, oldest first, and learn the parts' shares of callers.

    Nothing is kept. The held-out cases are scored under the version in use as well; what is not to be learned stays as
    it is there. Call it with no transaction open. Raises `InvalidInput` where there are too few cases, `Unavailable`
    before the first import.
    """
    with stores.transaction() as transaction:
        revision = active_revision(transaction)
        catalogue = transaction.catalogue.load(revision)
        ids, cases, left_out = _labelled(transaction, catalogue)
        named = {one.part_number: (one.cases, one.confirmed) for one in transaction.record.identified_cases()}
        name = transaction.engine_versions.active()
        in_use = None if name is None else transaction.engine_versions.find(name)
    table = build_table(catalogue, DEFAULT_MODEL)
    before, demand = answers_by(in_use)
    found = calibrate(table, cases, DEFAULT_MODEL, before=before, demand=demand, learn=learn, progress=progress)
    return Proposal(found, in_use, revision, ids, left_out, confirmed_unevenly(table, named))


def _labelled(transaction: Transaction, catalogue: Catalogue) -> tuple[tuple[UUID, ...], tuple[LabelledCase, ...], int]:
    """(ids, cases, how many were left out): the confirmed cases, by their ids, which rise with time."""
    known = {part.part_number for part in catalogue.parts}
    ids: list[UUID] = []
    cases: list[LabelledCase] = []
    left_out = 0
    for confirmed in sorted(transaction.record.confirmed_answers(), key=lambda one: one.submission_id):
        if confirmed.truth is not None and confirmed.truth not in known:
            left_out += 1
            continue
        case = transaction.submissions.find(confirmed.submission_id)
        if case is not None:
            ids.append(case.id)
            cases.append(LabelledCase(case.submission, confirmed.truth))
    return tuple(ids), tuple(cases), left_out


def put_to_use(stores: Stores, proposal: Proposal, who: str) -> str:
    """Keep a proposal as a new version and answer by it from now on; returns its name."""
    found = proposal.calibration
    version = NewVersion(
        model=found.model,
        # constants that were not refitted are those in use, and so are their factors
        factors=found.factors or (proposal.in_use.factors if proposal.in_use else ()),
        catalogue_revision=proposal.catalogue_revision,
        cases=proposal.cases,
        fitted=found.fitted,
        held_out=found.held_out,
        score_before=found.score_before,
        score_after=found.score_after,
        made_by=who,
        demand=found.demand,
    )
    with stores.transaction() as transaction:
        name = transaction.engine_versions.add(version)
        _activate(transaction, name, who)
    return name


def use_version(stores: Stores, name: str | None, who: str) -> None:
    """Answer by a version from now on, or by the code's own constants; raises `NotFound`."""
    with stores.transaction() as transaction:
        _activate(transaction, name, who)


def _activate(transaction: Transaction, name: str | None, who: str) -> None:
    if not transaction.engine_versions.activate(name):
        raise NotFound(f"There is no engine version {name}.")
    transaction.trail.add(None, who, "engine_version_put_to_use", version=version_named(name))

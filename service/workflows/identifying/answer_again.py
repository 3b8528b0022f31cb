"""An old answer worked out again: a case's readings under the revision and the constants of its last answer."""

from __future__ import annotations

from dataclasses import dataclass, replace
from uuid import UUID

from service.domain.errors import NotFound
from service.domain.identification import Identification
from service.identification.answer.losses import Losses
from service.identification.catalogue_table.lift_curves import build_curves
from service.identification.engine import identify
from service.workflows.identifying.engine_versions import answers_by, constants_named, version_named, version_of
from service.workflows.identifying.snapshot import table_under
from service.workflows.identifying.weighed_tables import evidence_of, weighed
from service.workflows.ports.cases import Round
from service.workflows.ports.stores import Stores


@dataclass(frozen=True)
class AnsweredAgain:
    """A case's last answer as it was given, and as its readings are answered by a version named."""

    given: Round
    again: Identification


def answer_again(
    stores: Stores, submission_id: UUID, losses: Losses, engine_version: str | None = None
) -> AnsweredAgain:
    """A case's readings answered anew, under the catalogue revision of its last answer. Nothing is kept.

    `engine_version` is as answers name it, by itself the one that gave the answer. Constants and shares come back as
    they were; the code is this release's, and the new answer names it. Raises `NotFound`. Call it with no transaction
    open.
    """
    with stores.transaction() as transaction:
        case = transaction.submissions.find(submission_id)
        if case is None:
            raise NotFound
        given = case.latest
        constants = constants_named(engine_version or given.identification.engine_version)
        model, demand = answers_by(version_of(transaction, constants))
        catalogue = transaction.catalogue.load(given.catalogue_revision)
        sheets = weighed(transaction.lift_tables.of_submission(submission_id))
    table = table_under(catalogue, model, demand)
    tables = evidence_of(sheets, build_curves(catalogue, table), table, model) if sheets else None
    found = identify(table, case.submission, model, losses, tables=tables)
    again = replace(found, engine_version=version_named(constants))
    return AnsweredAgain(given, again)

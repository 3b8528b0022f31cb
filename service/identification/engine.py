"""Readings in, the identification out: the one function the rest of the service calls."""

from __future__ import annotations

import numpy as np

from service.domain.identification import AnswerState, Candidate, Evidence, Identification
from service.domain.readings import Submission
from service.identification.answer.advice import advice, suspected_slips
from service.identification.answer.budget import derived_quantities
from service.identification.answer.decision import Standing, credible_set, decide, standing
from service.identification.answer.evidence import evidence
from service.identification.answer.losses import DEFAULT_LOSSES, Losses
from service.identification.answer.next_reading import next_reading
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.entries.table_evidence import TableEvidence
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel
from service.identification.posterior import Posterior, weigh
from service.identification.watch import EVIDENCE, NEXT_READING, POSTERIOR, Watch, unwatched

ENGINE_VERSION = "1.10"
"""Changes with every change that can change an answer: stored answers and the cache are kept apart by it."""

_MOST_CANDIDATES = 20
_FEWEST_CANDIDATES = 3
_EXPLAINED = 6
"""Evidence is worked out for this many of the leading candidates."""


def identify(
    table: CatalogueTable,
    submission: Submission,
    model: MeasuringModel = DEFAULT_MODEL,
    losses: Losses = DEFAULT_LOSSES,
    *,
    explain: bool = True,
    tables: TableEvidence | None = None,
    watch: Watch = unwatched,
) -> Identification:
    """What `submission`, and a bench's lift `tables` of its shaft, say of the parts in `table`.

    Deterministic. With `explain` False the evidence, the next reading and the derived quantities are left out, and
    the state is decided as if no further reading could be asked for. `watch` is told of every step.
    """
    with watch(POSTERIOR):
        posterior = weigh(table, submission, model, tables, watch)
    stands = standing(posterior)
    members = credible_set(stands, losses)
    with watch(NEXT_READING):
        asked, cheap = next_reading(posterior, submission) if explain else (None, False)
    state = decide(stands, losses, readings_left=asked is not None)
    if state is AnswerState.IDENTIFIED:
        asked, cheap = None, False
    listed = _listed(stands, members)
    pairs = [(int(stands.order[i]), _runner_up(stands, i)) for i in listed[:_EXPLAINED]] if explain else []
    with watch(EVIDENCE):
        reasons = evidence(posterior, submission, pairs)
    return Identification(
        state=state,
        candidates=tuple(
            _candidate(posterior, stands, i, reasons[n] if n < len(reasons) else ()) for n, i in enumerate(listed)
        ),
        not_in_catalogue_probability=stands.outside,
        left_off_probability=max(0.0, 1 - stands.outside - float(stands.probability[list(listed)].sum())),
        credible_set=tuple(table.class_numbers[stands.order[i]][0] for i in members),
        derived=derived_quantities(submission, model) if explain else (),
        suspected_slips=suspected_slips(posterior, submission),
        next_reading=asked,
        advice=advice(posterior, stands, state, asked, submission) if explain else (),
        ask_cheaply=cheap,
        engine_version=ENGINE_VERSION,
    )


def _listed(stands: Standing, members: tuple[int, ...]) -> list[int]:
    """Places of the candidates to show: the credible set, and a few more for comparison, best first."""
    wanted = set(members) | set(range(min(_FEWEST_CANDIDATES, stands.order.size)))
    return sorted(wanted)[:_MOST_CANDIDATES]


def _candidate(posterior: Posterior, stands: Standing, place: int, reasons: tuple[Evidence, ...]) -> Candidate:
    table = posterior.table
    number = int(stands.order[place])
    part = int(posterior.rows.part[np.flatnonzero(posterior.row_class == number)[0]])
    numbers = table.class_numbers[number]
    return Candidate(
        part_number=numbers[0],
        same_as=numbers[1:],
        core=table.core_codes[int(table.core_of[part])],
        probability=float(stands.probability[place]),
        reground_probability=float(stands.reground[place]),
        evidence=reasons,
    )


def _runner_up(stands: Standing, place: int) -> int:
    """Whom a candidate is weighed against: the best of the others, "not in the catalogue" (-1) among them."""
    others = [i for i in range(stands.order.size) if i != place]
    if not others or stands.probability[others[0]] < stands.outside:
        return -1
    return int(stands.order[others[0]])

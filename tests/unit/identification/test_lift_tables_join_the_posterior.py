"""A bench's lift tables beside readings: one posterior, and evidence that still sums to the log-odds."""

import math
from pathlib import Path

import numpy as np
import pytest

from service.catalogue_files import read_json
from service.domain.readings import Feature, Position, Reading, Source, Submission, Written
from service.domain.units import LengthUnit
from service.identification.answer.decision import standing
from service.identification.answer.evidence import evidence
from service.identification.catalogue_table.table import build_table
from service.identification.entries.table_evidence import TABLES_POINTER, TableEvidence, together
from service.identification.measuring.model import DEFAULT_MODEL
from service.identification.posterior import weigh

TABLE = build_table(read_json((Path(__file__).parents[3] / "fixtures" / "catalogue.json").read_bytes()), DEFAULT_MODEL)
SAID = Submission(
    Source.PHONE,
    LengthUnit.INCH,
    (Reading(Feature.JOURNAL_DIAMETER, (Written.parse("0.7500"),), position=Position.FRONT),),
)


def tables(part, nats, stranger=0.0):
    """Tables that make one part so much likelier than every other, and than a stranger."""
    of_parts = np.full(TABLE.log_prior.size, stranger)
    of_parts[part] += nats
    return TableEvidence(of_parts, stranger)


def test_tables_move_the_log_odds_of_two_parts_by_exactly_what_they_say():
    before, after = weigh(TABLE, SAID, DEFAULT_MODEL), weigh(TABLE, SAID, DEFAULT_MODEL, tables(3, 2.5))

    def odds(posterior, a, b):
        weight = posterior.row_probability
        mass = [weight[posterior.rows.part == part].sum() for part in (a, b)]
        return math.log(mass[0] / mass[1])

    other = next(p for p in range(TABLE.log_prior.size) if p != 3 and TABLE.core_of[p] == TABLE.core_of[3])
    assert odds(after, 3, other) - odds(before, 3, other) == pytest.approx(2.5, abs=1e-6)


def test_the_scale_of_a_likelihood_means_nothing():
    one = weigh(TABLE, SAID, DEFAULT_MODEL, tables(3, 2.5))
    other = weigh(TABLE, SAID, DEFAULT_MODEL, tables(3, 2.5, stranger=700.0))
    assert np.allclose(one.log_weight, other.log_weight)


def test_evidence_with_tables_sums_to_the_log_odds():
    posterior = weigh(TABLE, SAID, DEFAULT_MODEL, tables(3, 6.0))
    leading = int(TABLE.class_of[3])
    (rows,) = evidence(posterior, SAID, [(leading, -1)])
    stands = standing(posterior)
    probability = float(stands.probability[list(stands.order).index(leading)])
    assert TABLES_POINTER in [row.pointer for row in rows]
    assert sum(row.bits for row in rows) == pytest.approx(math.log2(probability / stands.outside), abs=0.02)


def test_a_part_that_the_readings_alone_would_screen_off_is_not_brought_back_but_tables_screen_too():
    posterior = weigh(TABLE, SAID, DEFAULT_MODEL, tables(3, 60.0))
    assert set(posterior.rows.part[posterior.rows.part >= 0]) == {3}


def test_sheets_of_different_lobes_add_up():
    both = together([tables(3, 1.0, stranger=-2.0), tables(3, 2.0, stranger=-3.0)])
    assert both is not None
    assert both.part[3] - both.stranger == pytest.approx(3.0)
    assert together([]) is None

"""Constants refitted to confirmed cases: kept as they are, one in use, and old answers worked out again under them."""

from __future__ import annotations

from dataclasses import replace
from uuid import UUID, uuid4

import orjson
import psycopg
import pytest

from service.adapters.postgres.pool import PostgresStores
from service.adapters.stored_constants import (
    constants_from_stored,
    constants_to_stored,
    demand_from_stored,
    demand_to_stored,
)
from service.domain.access import Role
from service.domain.casework import DEFAULT_RULES, ConfirmationSource
from service.domain.errors import InvalidInput, NotFound
from service.domain.identification import AnswerState, Identification
from service.domain.readings import LobeKind, Submission
from service.identification.answer.losses import DEFAULT_LOSSES
from service.identification.engine import ENGINE_VERSION
from service.identification.learning.calibration import FACTORS, FEWEST_CASES, Learn, Refit, with_factors
from service.identification.learning.demand import NOTHING_LEARNED, Demand
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel
from service.workflows.cases.confirm import confirm
from service.workflows.cases.queue import Hand
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.identifying.answer_again import answer_again
from service.workflows.identifying.answering import Answering
from service.workflows.identifying.at_hand import AtHand, with_answers
from service.workflows.identifying.engine_versions import constants_named, version_named
from service.workflows.identifying.identify import open_submission
from service.workflows.identifying.snapshot import CatalogueSnapshot
from service.workflows.keys import authenticate, create_key
from service.workflows.learning.calibrate import propose, put_to_use, use_version
from service.workflows.ports.engine import NewVersion
from service.workflows.ports.record import IdentifiedCases
from service.workflows.ports.stores import KeyRecord
from tests.integration.test_catalogue_store import invented
from tests.submissions import base, height, journal, submission

OTHER = with_factors(DEFAULT_MODEL, {"zero": 1.0 / 3.0, "scatter": 2.1, "technique": 0.7, "wear": 1.9, "slips": 0.1})
READ = submission(
    journal("0.7495", "0.7500"),
    height("1.1725"),
    base("0.8605"),
)
NAMED = submission(
    journal("0.7500", "0.7500"),
    height("1.2087", "1.2088"),
    base("0.8618", "0.8618"),
    height("1.2188", "1.2188", lobe=LobeKind.EXHAUST),
    base("0.8618", "0.8619", lobe=LobeKind.EXHAUST),
)
"""Readings that one part is named from."""


class Kept:
    """Answers by their keys, as the cache keeps them."""

    def __init__(self) -> None:
        self._answers: dict[str, Identification] = {}

    def get(self, key: str) -> Identification | None:
        return self._answers.get(key)

    def put(self, key: str, identification: Identification) -> None:
        self._answers[key] = identification


class NoCache:
    """Nothing is worked out before."""

    def get(self, key: str) -> Identification | None:
        return None

    def put(self, key: str, identification: Identification) -> None:
        pass


class Unmetered:
    """Nothing is counted."""

    def answered(self, state: AnswerState, from_cache: bool, seconds: float) -> None:
        pass


@pytest.fixture
def key(stores: PostgresStores) -> KeyRecord:
    """A desk's key, over a database with the invented catalogue."""
    import_catalogue(stores, invented(), who="tests", why="")
    return authenticate(stores, create_key(stores, Role.DESK, "front desk"))


def process() -> Answering:
    """A process of the service, which looks at what is in use every time."""
    return Answering(NoCache(), Unmetered(), snapshot=CatalogueSnapshot(recheck_seconds=0.0))


def kept(stores: PostgresStores, model: MeasuringModel = OTHER, demand: Demand = NOTHING_LEARNED) -> str:
    refits = tuple(Refit(name, 1.25, 0.125) for name in FACTORS)
    version = NewVersion(model, refits, 1, (uuid4(), uuid4()), 14, 7, 1.03125, 0.96875, "tests", demand)
    with stores.transaction() as transaction:
        return transaction.engine_versions.add(version)


def answered(stores: PostgresStores, answering: Answering, key: KeyRecord, read: Submission = READ) -> UUID:
    def work(at_hand: AtHand) -> UUID:
        with stores.transaction() as transaction:
            return open_submission(transaction, at_hand, key, read, DEFAULT_RULES).id

    return with_answers(stores, answering, work)


def answer_of(stores: PostgresStores, case: UUID) -> Identification:
    with stores.transaction() as transaction:
        found = transaction.submissions.find(case)
    assert found is not None
    return found.latest.identification


def test_constants_come_back_to_the_last_bit() -> None:
    stored = orjson.loads(orjson.dumps(constants_to_stored(OTHER)))

    assert constants_from_stored(stored) == OTHER
    assert constants_from_stored(orjson.loads(orjson.dumps(constants_to_stored(DEFAULT_MODEL)))) == DEFAULT_MODEL


def test_constants_that_came_to_be_later_are_the_code_s_own() -> None:
    stored = constants_to_stored(OTHER)
    del stored["tilt_sd"]

    assert constants_from_stored(stored | {"gone_since": 1.0}) == replace(OTHER, tilt_sd=DEFAULT_MODEL.tilt_sd)


def test_a_version_is_kept_as_it_is_and_numbered_after_the_last(stores: PostgresStores, key: KeyRecord) -> None:
    assert [kept(stores), kept(stores, DEFAULT_MODEL)] == ["c1", "c2"]

    with stores.transaction() as transaction:
        first, versions = transaction.engine_versions.find("c1"), transaction.engine_versions.all()
        assert transaction.engine_versions.active() is None
        assert transaction.engine_versions.find("c3") is None
    assert first is not None
    assert first.model == OTHER
    assert (first.fitted, first.held_out, first.score_before, first.score_after) == (14, 7, 1.03125, 0.96875)
    assert first.factors == tuple(Refit(name, 1.25, 0.125) for name in FACTORS)
    assert (first.made_by, first.code_version, len(first.cases)) == ("tests", ENGINE_VERSION, 2)
    assert [one.name for one in versions] == ["c2", "c1"]


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE engine_versions SET score_after = 0",
        "UPDATE engine_versions SET cases = '{}'",
        "DELETE FROM engine_versions",
    ],
)
def test_what_a_version_says_is_never_changed(
    stores: PostgresStores, key: KeyRecord, database_url: str, change: str
) -> None:
    kept(stores)

    with psycopg.connect(database_url) as connection, pytest.raises(psycopg.errors.InsufficientPrivilege):
        connection.execute(change.encode())


def test_the_database_knows_one_version_in_use_at_most(
    stores: PostgresStores, key: KeyRecord, database_url: str
) -> None:
    kept(stores), kept(stores)

    with psycopg.connect(database_url) as connection, pytest.raises(psycopg.errors.UniqueViolation):
        connection.execute("UPDATE engine_versions SET active = true")


def test_answers_come_from_the_version_in_use_and_name_it(stores: PostgresStores, key: KeyRecord) -> None:
    answering = process()
    before = answer_of(stores, answered(stores, answering, key))
    name = kept(stores)
    use_version(stores, name, "tests")
    under = answer_of(stores, answered(stores, answering, key))
    use_version(stores, None, "tests")
    after = answer_of(stores, answered(stores, answering, key))

    assert [one.engine_version for one in (before, under, after)] == [
        ENGINE_VERSION,
        f"{ENGINE_VERSION}+c1",
        ENGINE_VERSION,
    ]
    assert before == after
    assert before.candidates != under.candidates


def test_an_answer_under_an_old_version_is_worked_out_again_to_the_last_bit(
    stores: PostgresStores, key: KeyRecord
) -> None:
    answering = process()
    under_code = answered(stores, answering, key)
    use_version(stores, kept(stores), "tests")
    under_c1 = answered(stores, answering, key)
    use_version(stores, kept(stores, with_factors(DEFAULT_MODEL, {"zero": 3.0})), "tests")
    import_catalogue(stores, replace(invented(), parts=invented().parts[:40]), who="tests", why="another revision")

    for case in (under_code, under_c1):
        both = answer_again(stores, case, DEFAULT_LOSSES)
        assert both.again == both.given.identification
    swapped = answer_again(stores, under_code, DEFAULT_LOSSES, f"{ENGINE_VERSION}+c1")
    assert swapped.again == answer_again(stores, under_c1, DEFAULT_LOSSES).given.identification


def test_shares_come_back_as_they_were(stores: PostgresStores, key: KeyRecord) -> None:
    learned = Demand((("A-1", 0), ("B-2", 17)), 0.06, 1.0 / 3.0)
    assert demand_from_stored(orjson.loads(orjson.dumps(demand_to_stored(learned)))) == learned

    kept(stores, demand=learned), kept(stores)
    with stores.transaction() as transaction:
        found = [transaction.engine_versions.find(name) for name in ("c1", "c2")]
    assert [one and one.demand for one in found] == [learned, NOTHING_LEARNED]


def confirmed_as(stores: PostgresStores, key: KeyRecord, cases: list[UUID], part_number: str | None) -> None:
    """Say of each of `cases` that its shaft turned out to be a part, or nobody's."""
    with stores.transaction() as transaction:
        for case in cases:
            held = transaction.submissions.find(case, for_update=True)
            assert held is not None
            confirm(transaction, Hand(key), held, ConfirmationSource.BENCH_MEASURED, part_number, None)


def prior_of(answer: Identification, part_number: str) -> float:
    """What was known of a part before any reading, in bits."""
    candidate = next(one for one in answer.candidates if part_number in (one.part_number, *one.same_as))
    return next(row.bits for row in candidate.evidence if row.pointer == "prior")


def test_confirmed_cases_change_what_is_known_before_any_reading_and_engine_use_takes_it_back(
    stores: PostgresStores, key: KeyRecord
) -> None:
    answering = Answering(Kept(), Unmetered(), snapshot=CatalogueSnapshot(recheck_seconds=0.0))
    cases = [answered(stores, answering, key) for _ in range(FEWEST_CASES + 4)]
    before = answer_of(stores, cases[0])
    second = before.candidates[1].part_number
    confirmed_as(stores, key, cases, second)

    proposal = propose(stores, Learn.SHARES)
    assert proposal.calibration.score_after < proposal.calibration.score_before
    assert answer_of(stores, answered(stores, answering, key)) == before
    assert put_to_use(stores, proposal, "tests") == "c1"

    learned_case = answered(stores, answering, key)
    learned = answer_of(stores, learned_case)
    assert learned.engine_version == f"{ENGINE_VERSION}+c1"
    assert prior_of(learned, second) > prior_of(before, second) + 1
    assert answer_again(stores, learned_case, DEFAULT_LOSSES).again == learned
    assert answer_again(stores, cases[0], DEFAULT_LOSSES).again == before
    with stores.transaction() as transaction:
        kept_version = transaction.engine_versions.find("c1")
    assert kept_version is not None
    assert (kept_version.demand, kept_version.model) == (proposal.calibration.demand, DEFAULT_MODEL)

    use_version(stores, None, "tests")
    assert answer_of(stores, answered(stores, answering, key)) == before


def test_cases_answered_with_one_part_are_counted_and_the_confirmed_ones_of_them(
    stores: PostgresStores, key: KeyRecord
) -> None:
    answering = Answering(Kept(), Unmetered(), snapshot=CatalogueSnapshot(recheck_seconds=0.0))
    named = [answered(stores, answering, key, NAMED) for _ in range(3)]
    unnamed = answered(stores, answering, key)
    part = answer_of(stores, named[0]).candidates[0].part_number
    confirmed_as(stores, key, [*named[:2], unnamed], part)
    confirmed_as(stores, key, named[:1], None)

    with stores.transaction() as transaction:
        assert transaction.record.identified_cases() == (IdentifiedCases(part, 3, 2),)


def test_shares_apply_to_a_later_revision_of_the_catalogue(stores: PostgresStores, key: KeyRecord) -> None:
    answering = process()
    before = answer_of(stores, answered(stores, answering, key))
    second = before.candidates[1].part_number
    callers = {part.part_number: 0 for part in invented().parts} | {second: 40, "GONE-1": 7}
    use_version(stores, kept(stores, DEFAULT_MODEL, Demand(tuple(sorted(callers.items())), 0.0, 0.8)), "tests")
    import_catalogue(stores, replace(invented(), parts=invented().parts[::-1]), who="tests", why="another revision")

    assert prior_of(answer_of(stores, answered(stores, answering, key)), second) > prior_of(before, second) + 1


def test_keys_of_the_cache_tell_versions_apart(stores: PostgresStores, key: KeyRecord) -> None:
    answering = process()
    kept(stores, DEFAULT_MODEL), kept(stores, DEFAULT_MODEL, Demand((("A-1", 1),), 0.0, 1.0))
    seen = []
    for name in (None, "c1", "c2"):
        use_version(stores, name, "tests")
        seen.append(answering.cache_key(answering.snapshot.now(stores), READ))

    assert len(set(seen)) == 3


def test_a_version_nobody_knows_is_not_used(stores: PostgresStores, key: KeyRecord) -> None:
    use_version(stores, kept(stores), "tests")

    with pytest.raises(NotFound):
        use_version(stores, "c9", "tests")
    with stores.transaction() as transaction:
        assert transaction.engine_versions.active() == "c1"
    with pytest.raises(NotFound):
        answer_again(stores, uuid4(), DEFAULT_LOSSES)


def test_putting_a_version_to_use_is_in_the_trail(stores: PostgresStores, key: KeyRecord) -> None:
    use_version(stores, kept(stores), "J. Moll")

    with stores.transaction() as transaction:
        entry = transaction.trail.page(None, None, 1)[0]
    assert (entry.who, entry.action) == ("J. Moll", "engine_version_put_to_use")
    assert entry.details == {"version": f"{ENGINE_VERSION}+c1"}


def test_too_few_cases_are_not_learnt_from(stores: PostgresStores, key: KeyRecord) -> None:
    with pytest.raises(InvalidInput, match="needs 20"):
        propose(stores)


def test_a_version_s_name_holds_its_constants_name() -> None:
    assert version_named("c2") == f"{ENGINE_VERSION}+c2"
    assert constants_named(version_named("c2")) == "c2"
    assert constants_named(version_named(None)) is None

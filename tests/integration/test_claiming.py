"""Many claimers at one queue, in a real Postgres: nothing is claimed twice, nothing is lost, leases come back."""

from __future__ import annotations

import itertools
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from dataclasses import dataclass, replace
from datetime import datetime
from uuid import UUID

import psycopg
import pytest

from service.adapters.postgres.pool import PostgresStores, open_pool
from service.domain.access import Role
from service.domain.casework import DEFAULT_RULES
from service.domain.errors import Conflict
from service.domain.readings import Source
from service.domain.review import Confidence, Outcome, Priority, ReviewReason, ReviewState, Verdict
from service.workflows.cases.queue import Hand, Wish, claim_review, decide_review, put_back_lapsed, release_review
from service.workflows.catalogue.import_catalogue import import_catalogue
from service.workflows.identifying.identify import new_review
from service.workflows.keys import authenticate, create_key
from service.workflows.ports.reviews import Review
from service.workflows.ports.stores import KeyRecord
from tests.integration.stored_examples import ANSWER, SUBMISSION
from tests.integration.test_catalogue_store import invented

CANNOT_TELL = Verdict(Outcome.CANNOT_TELL, None, Confidence.SURE, "The nose is worn flat.")


@pytest.fixture
def desk_key(stores: PostgresStores) -> KeyRecord:
    """A desk's key, over a database with the invented catalogue."""
    import_catalogue(stores, invented(), who="tests", why="")
    return authenticate(stores, create_key(stores, Role.DESK, "front desk"))


def open_reviews(
    stores: PostgresStores,
    key: KeyRecord,
    count: int,
    *,
    source: Source = Source.WEB,
    skill: str | None = None,
    reason: ReviewReason = ReviewReason.AMBIGUOUS,
) -> list[UUID]:
    """Cases that wait for a person, first opened first."""
    opened = []
    submission = replace(SUBMISSION, source=source)
    for _ in range(count):
        with stores.transaction() as transaction:
            case_id = transaction.submissions.open(key.id, submission, ANSWER, 1).id
            review = transaction.reviews.open(new_review(case_id, submission, reason, DEFAULT_RULES, skill=skill))
        opened.append(review.id)
    return opened


def claim(stores: PostgresStores, key: KeyRecord, wish: Wish | None = None) -> Review | None:
    with stores.transaction() as transaction:
        return claim_review(transaction, key, wish or Wish(), DEFAULT_RULES)


def claimed_in_order(stores: PostgresStores, key: KeyRecord, wish: Wish | None = None) -> list[UUID]:
    taken = []
    while (review := claim(stores, key, wish)) is not None:
        taken.append(review.id)
    return taken


def test_reviews_are_handed_out_oldest_first(stores: PostgresStores, desk_key: KeyRecord) -> None:
    opened = open_reviews(stores, desk_key, 6)
    assert claimed_in_order(stores, desk_key) == opened


def test_who_stands_at_the_counter_comes_before_who_wrote_and_a_second_look_last(
    stores: PostgresStores, desk_key: KeyRecord
) -> None:
    second_look = open_reviews(stores, desk_key, 1, reason=ReviewReason.AUTOMATIC_SAMPLE)
    posted = open_reviews(stores, desk_key, 1, source=Source.MAIL_IN)
    written = open_reviews(stores, desk_key, 2, source=Source.WEB)
    on_the_telephone = open_reviews(stores, desk_key, 1, source=Source.PHONE)
    at_the_counter = open_reviews(stores, desk_key, 1, source=Source.COUNTER)
    assert claimed_in_order(stores, desk_key) == [
        *on_the_telephone,
        *at_the_counter,
        *written,
        *posted,
        *second_look,
    ]


def test_who_knows_some_cores_gets_reviews_about_these_or_about_none(
    stores: PostgresStores, desk_key: KeyRecord
) -> None:
    about_kd, about_vp, about_none = (open_reviews(stores, desk_key, 1, skill=skill)[0] for skill in ("KD", "VP", None))
    assert claimed_in_order(stores, desk_key, Wish(skills=("KD",))) == [about_kd, about_none]
    assert claimed_in_order(stores, desk_key) == [about_vp]


def test_a_second_look_is_not_for_whoever_looked_first(stores: PostgresStores, desk_key: KeyRecord) -> None:
    with stores.transaction() as transaction:
        case_id = transaction.submissions.open(desk_key.id, SUBMISSION, ANSWER, 1).id
        reason = ReviewReason.LOW_CONFIDENCE
        second = transaction.reviews.open(
            new_review(case_id, SUBMISSION, reason, DEFAULT_RULES, skill=None, not_for="J. Moll")
        )
    assert claim(stores, desk_key, Wish(person="J. Moll")) is None
    found = claim(stores, desk_key, Wish(person="A. Reed"))
    assert found is not None
    assert (found.id, found.priority) == (second.id, Priority.LOW)


def test_a_lapsed_claim_is_put_back_and_noted(stores: PostgresStores, desk_key: KeyRecord, database_url: str) -> None:
    open_reviews(stores, desk_key, 3)
    taken = [claim(stores, desk_key) for _ in range(2)]
    with psycopg.connect(database_url) as connection:
        connection.execute("UPDATE reviews SET lease_until = now() - interval '1 second' WHERE state = 'claimed'")
    assert put_back_lapsed(stores) == 2
    assert put_back_lapsed(stores) == 0
    with stores.transaction() as transaction:
        assert [review.state for review in transaction.reviews.page(None, None, 10)] == [ReviewState.WAITING] * 3
        lapsed = [entry for entry in transaction.trail.page(None, None, 10) if entry.action == "claim_lapsed"]
    assert {entry.details["review"] for entry in lapsed} == {str(review.id) for review in taken if review}


@dataclass(frozen=True)
class Held:
    """A review that was in somebody's hands, at least from one moment to another."""

    review_id: UUID
    start: datetime
    end: datetime
    claimer: int


class Claimers:
    """People at one queue, each with a connection of their own: they decide, give back, or are never heard of again."""

    def __init__(self, database_url: str, key: KeyRecord, people: int, lease_s: int) -> None:
        self.url, self.key, self.people, self.lease_s = database_url, key, people, lease_s
        self.held: list[Held] = []
        self.refused: Counter[str] = Counter()
        self.lock = threading.Lock()

    def work(self, until_decided: int, gone_share: float, back_share: float) -> None:
        """Go on until so many reviews are decided in all."""
        decided = Counter[UUID]()
        with open_pool(self.url, self.people) as pool:
            stores = PostgresStores(pool)

            def one(number: int) -> None:
                chance = random.Random(number)
                while sum(decided.values()) < until_decided:
                    wish = Wish(person=f"person {number}", lease_s=self.lease_s)
                    review = claim(stores, self.key, wish)
                    if review is None or review.claim is None:
                        time.sleep(0.05)
                        continue
                    start, end, fate = review.claim.at, review.claim.until, chance.random()
                    try:
                        if fate < gone_share:
                            pass  # never heard of again
                        elif fate < gone_share + back_share:
                            end = min(end, now(stores))
                            with stores.transaction() as transaction:
                                release_review(
                                    transaction,
                                    Hand(self.key, wish.person),
                                    review.id,
                                    "Not mine.",
                                    review.row_revision,
                                )
                        else:
                            end = min(end, now(stores))
                            with stores.transaction() as transaction:
                                decide_review(
                                    transaction,
                                    Hand(self.key, wish.person),
                                    review.id,
                                    CANNOT_TELL,
                                    review.row_revision,
                                    DEFAULT_RULES,
                                )
                            with self.lock:
                                decided[review.id] += 1
                    except Conflict as refusal:
                        with self.lock:
                            self.refused[refusal.code] += 1
                    with self.lock:
                        self.held.append(Held(review.id, start, end, number))

            threads = [threading.Thread(target=one, args=(number,)) for number in range(self.people)]
            for thread in threads:
                thread.start()
            for thread in threads:
                thread.join()
        assert set(decided.values()) == {1}


def now(stores: PostgresStores) -> datetime:
    """Postgres's clock, by which leases run."""
    with stores.transaction() as transaction:
        row = transaction.connection.execute("SELECT clock_timestamp() AS now").fetchone()
    assert row is not None
    moment: datetime = row["now"]
    return moment


def twice_in_hand(held: list[Held]) -> list[tuple[Held, Held]]:
    """Pairs of claims on one review of which the second began before the first had ended."""
    by_review: dict[UUID, list[Held]] = {}
    for claim_made in sorted(held, key=lambda claim_made: claim_made.start):
        by_review.setdefault(claim_made.review_id, []).append(claim_made)
    return [
        (first, second)
        for claims in by_review.values()
        for first, second in itertools.pairwise(claims)
        if second.start < first.end
    ]


def settled(database_url: str) -> tuple[int, int, int]:
    """How many reviews there are, how many are decided, and how many have a decision."""
    with psycopg.connect(database_url) as connection:
        row = connection.execute(
            "SELECT count(*), count(*) FILTER (WHERE state = 'decided'),"
            " (SELECT count(DISTINCT review_id) FROM decisions) FROM reviews"
        ).fetchone()
    assert row is not None
    return row[0], row[1], row[2]


def run_claimers(stores: PostgresStores, key: KeyRecord, database_url: str, reviews: int, lease_s: int) -> Claimers:
    open_reviews(stores, key, reviews)
    claimers = Claimers(database_url, key, 50, lease_s)
    claimers.work(reviews, gone_share=0.02, back_share=0.05)
    assert twice_in_hand(claimers.held) == []
    assert settled(database_url) == (reviews, reviews, reviews)
    return claimers


def test_fifty_claimers_at_once_take_each_review_once_and_lose_none(
    stores: PostgresStores, desk_key: KeyRecord, database_url: str
) -> None:
    claimers = run_claimers(stores, desk_key, database_url, 300, lease_s=2)
    assert len({claim_made.claimer for claim_made in claimers.held}) > 10


@pytest.mark.long
def test_fifty_claimers_over_five_thousand_reviews_take_each_once_and_lose_none(
    stores: PostgresStores, desk_key: KeyRecord, database_url: str
) -> None:
    claimers = run_claimers(stores, desk_key, database_url, 5000, lease_s=3)
    assert len(claimers.held) > 5000


CLAIM_AND_HANG = """
import sys, time
from uuid import UUID
from service.adapters.postgres.pool import PostgresStores, open_pool
from service.domain.access import Role
from service.domain.casework import DEFAULT_RULES
from service.workflows.ports.stores import KeyRecord
from service.workflows.cases.queue import Wish, claim_review

key = KeyRecord(UUID(sys.argv[2]), Role.DESK, "front desk")
with open_pool(sys.argv[1]) as pool:
    stores = PostgresStores(pool)
    for _ in range(3):
        with stores.transaction() as transaction:
            claim_review(transaction, key, Wish(person="gone", lease_s=int(sys.argv[3])), DEFAULT_RULES)
    with stores.transaction() as transaction:
        claim_review(transaction, key, Wish(person="gone"), DEFAULT_RULES)
        print("holding", flush=True)
        time.sleep(600)
"""


def test_what_a_killed_claimer_held_is_back_when_its_lease_ends_and_not_before(
    stores: PostgresStores, desk_key: KeyRecord, database_url: str
) -> None:
    opened = open_reviews(stores, desk_key, 4)
    claimer = subprocess.Popen(
        [sys.executable, "-c", CLAIM_AND_HANG, database_url, str(desk_key.id), "2"], stdout=subprocess.PIPE, text=True
    )
    assert claimer.stdout is not None
    assert claimer.stdout.readline() == "holding\n"
    claimer.send_signal(signal.SIGKILL)
    claimer.communicate()

    ends = {}
    with stores.transaction() as transaction:
        for review_id in opened:
            review = transaction.reviews.find(review_id)
            if review is not None and review.claim is not None and review.claim.by == "gone":
                ends[review_id] = review.claim.until
    came_back: dict[UUID, datetime] = {}
    while len(came_back) < len(opened):
        review = claim(stores, desk_key, Wish(person="next", lease_s=3600))
        if review is None or review.claim is None:
            time.sleep(0.02)
            continue
        came_back[review.id] = review.claim.at
    assert set(came_back) == set(opened)
    assert all(came_back[review_id] >= end for review_id, end in ends.items())


MIXED = """
UPDATE reviews
SET state = drawn.state::review_state, opened_at = now() - make_interval(secs => drawn.age_s),
    due_at = now() + make_interval(secs => drawn.due_s), settled_at = CASE WHEN drawn.settled THEN now() END,
    claimed_key = CASE WHEN drawn.state = 'claimed' THEN %(key)s::uuid END,
    claimed_by = CASE WHEN drawn.state = 'claimed' THEN 'somebody' END,
    claimed_at = CASE WHEN drawn.state = 'claimed' THEN now() END,
    lease_seconds = CASE WHEN drawn.state = 'claimed' THEN 60 END,
    lease_until = CASE WHEN drawn.state = 'claimed' THEN now() + make_interval(secs => drawn.lease_s) END
FROM unnest(%(ids)s::uuid[], %(states)s::text[], %(ages_s)s::float8[], %(dues_s)s::float8[], %(leases_s)s::float8[],
            %(settled)s::boolean[]) AS drawn (id, state, age_s, due_s, lease_s, settled)
WHERE reviews.id = drawn.id
"""


def test_counting_says_what_going_through_the_queue_says(stores: PostgresStores, desk_key: KeyRecord) -> None:
    """Ages that are a bound exactly, too: such a review is still in the younger band."""
    draw = random.Random(11)
    bounds_s = (3600.0, 14_400.0, 86_400.0)
    ids = open_reviews(stores, desk_key, 120)
    states = [draw.choice(list(ReviewState)) for _ in ids]
    ages_s = [draw.choice((0.0, 60.0, *bounds_s, *(bound + 1 for bound in bounds_s), 10.0**7)) for _ in ids]
    dues_s = [draw.choice((-3600.0, 3600.0)) for _ in ids]
    leases_s = [draw.choice((-3600.0, 3600.0)) for _ in ids]
    is_settled = [state in (ReviewState.DECIDED, ReviewState.WITHDRAWN) for state in states]
    drawn = {"ids": ids, "states": [state.value for state in states], "ages_s": ages_s, "dues_s": dues_s}
    with stores.transaction() as transaction:
        transaction.connection.execute(MIXED, drawn | {"leases_s": leases_s, "settled": is_settled, "key": desk_key.id})
        found = transaction.reviews.counts(bounds_s)

    reviews, overdue = Counter[tuple[ReviewState, int]](), Counter[tuple[ReviewState, int]]()
    for state, age_s, due_s, lease_s in zip(states, ages_s, dues_s, leases_s, strict=True):
        lapsed = state is ReviewState.CLAIMED and lease_s < 0
        shown = ReviewState.WAITING if lapsed else state
        band = shown, sum(age_s > bound for bound in bounds_s)
        reviews[band] += 1
        overdue[band] += due_s < 0 and shown in (ReviewState.WAITING, ReviewState.CLAIMED)
    assert {(one.state, one.age): one.reviews for one in found} == reviews
    assert {(one.state, one.age): one.overdue for one in found} == overdue

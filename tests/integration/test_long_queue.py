"""A queue of two hundred thousand reviews: nothing the desk page or the chores ask reads it whole. Counting it by age
does read an index whole."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from uuid import UUID

import pytest

from service.adapters.postgres.pool import PostgresStores, PostgresTransaction
from service.domain.access import Role
from service.domain.casework import DEFAULT_RULES
from service.domain.review import Priority, ReviewReason, ReviewState
from service.workflows.cases.half_done import LOOKED_AT
from service.workflows.cases.queue import Wish, claim_review
from service.workflows.keys import authenticate, create_key
from service.workflows.ports.cases import CaseFinder
from service.workflows.ports.reviews import NewReview
from service.workflows.ports.stores import KeyRecord
from tests.long_queue import LAST_CORE, fill_queue

REVIEWS = 200_000
SOME = REVIEWS // 50

READ = """
SELECT coalesce(sum(seq_tup_read), 0)::bigint AS whole, coalesce(sum(idx_tup_fetch), 0)::bigint AS looked_up
FROM pg_stat_xact_user_tables WHERE relname IN ('reviews', 'submissions', 'submission_rounds', 'decisions')
"""

pytestmark = pytest.mark.long

Ask = Callable[[PostgresTransaction, KeyRecord], object]


def claimed(wish: Wish) -> Ask:
    return lambda transaction, key: claim_review(transaction, key, wish, DEFAULT_RULES)


def listed(state: ReviewState | None, after: UUID | None = None) -> Ask:
    return lambda transaction, key: transaction.reviews.page(state, after, 101)


def searched(finder: CaseFinder) -> Ask:
    return lambda transaction, key: transaction.cases.search(finder, None, 26)


MIDDLE = UUID(int=(0x00000002_0000_7000_8000_000000000000 | (REVIEWS // 2 + 2)))
CASE = UUID(int=(0x00000001_0000_7000_8000_000000000000 | (REVIEWS // 2 + 2)))
ASKED: dict[str, Ask] = {
    "the next": claimed(Wish()),
    "the next of a core": claimed(Wish(skills=("K3",))),
    "the next of the core that stands last": claimed(Wish(skills=(LAST_CORE,))),
    "the next of a core nobody asks about": claimed(Wish(skills=("none such",))),
    "one by its id": claimed(Wish(review_id=MIDDLE)),
    "the queue's first page": listed(None),
    "its middle": listed(None, MIDDLE),
    **{f"the {state.value}": listed(state) for state in ReviewState},
    "the waiting in the middle": listed(ReviewState.WAITING, MIDDLE),
    "one of them": lambda transaction, key: transaction.reviews.find(MIDDLE),
    "what was opened for a case": lambda transaction, key: transaction.reviews.latest_of(CASE),
    "a new one": lambda transaction, key: transaction.reviews.open(
        NewReview(CASE, ReviewReason.LOW_CONFIDENCE, Priority.LOW, timedelta(days=1), second_look=True)
    ),
    "the lapsed": lambda transaction, key: transaction.reviews.put_back_lapsed(),
    "the silent": lambda transaction, key: transaction.cases.silent(2, None, LOOKED_AT),
    "the half-done of them": lambda transaction, key: transaction.cases.take_half_done(
        2, tuple(one.id for one in transaction.cases.silent(2, None, LOOKED_AT))
    ),
    "those who never came back": lambda transaction, key: transaction.cases.close_half_done(2),
    "cases, newest first": searched(CaseFinder()),
    "open cases": searched(CaseFinder(is_open=True)),
    "a case by its reference": searched(CaseFinder(reference=f"{10_000_000 + REVIEWS // 2}")),
    "the same customer's other cases": lambda transaction, key: transaction.cases.others_of(CASE, 20),
    "a case": lambda transaction, key: transaction.submissions.find(CASE),
}


def test_nothing_that_is_asked_of_a_long_queue_reads_the_table(stores: PostgresStores, database_url: str) -> None:
    key = authenticate(stores, create_key(stores, Role.DESK, "front desk"))
    fill_queue(database_url, key, REVIEWS)
    read: dict[str, tuple[int, int]] = {}
    for what, ask in ASKED.items():
        for _ in range(7):  # from the sixth time on, Postgres may plan for any value
            with stores.transaction() as transaction:
                before = so_far(transaction)
                ask(transaction, key)
                whole, looked_up = (now - then for now, then in zip(so_far(transaction), before, strict=True))
                transaction.connection.execute("ROLLBACK")
            read[what] = max(read.get(what, (0, 0)), (whole, looked_up))
    assert {what: found for what, found in read.items() if sum(found) > SOME} == {}


def so_far(transaction: PostgresTransaction) -> tuple[int, int]:
    """Rows that this session has read out of whole tables, and looked up; Postgres takes the count away in between."""
    row = transaction.connection.execute(READ).fetchone()
    assert row is not None
    return row["whole"], row["looked_up"]

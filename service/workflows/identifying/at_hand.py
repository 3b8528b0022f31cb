"""Answers worked out while no transaction is open, for work that is done in one.

An identification takes milliseconds, and seconds where somebody sends absurd readings: a transaction that waited for it
would hold a connection, a case and its idempotency key all the while. So a piece of work begins, and where it needs an
answer that is not at hand, its transaction is undone, the answer is worked out, and the work begins again. The
transaction that writes makes every check itself; where the case was changed meanwhile, it asks for another answer than
the one at hand, which is worked out in turn.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from service.domain.errors import Conflict
from service.domain.readings import Submission
from service.lobe.sent_sheet import SentSheet
from service.workflows.identifying.answering import Answered, Answering
from service.workflows.identifying.lift_tables import WorkedOut, work_out_under
from service.workflows.identifying.snapshot import Snapshot
from service.workflows.ports.stores import Stores

MOST_BEGINNINGS = 12
"""A piece of work needs three answers at most; a case that changes under it so often is fought over."""

Result = TypeVar("Result")


class NotAtHand(Exception):
    """Undoes a transaction so that `work_out` can be called; never leaves `with_answers`."""

    is_failure = False

    def __init__(self, work_out: Callable[[], None]) -> None:
        super().__init__()
        self.work_out = work_out


class AtHand:
    """What one piece of work has had worked out. The members raise `NotAtHand` for what is still to be."""

    def __init__(self, stores: Stores, answering: Answering) -> None:
        self._stores = stores
        self._answering = answering
        self._looked = answering.snapshot.is_kept_fresh
        self._at_least = 0
        self._answers: dict[str, Answered] = {}
        self._keyed: tuple[Snapshot, Submission, tuple[SentSheet, ...], str] | None = None
        self._sheets: dict[tuple[int, str, SentSheet], WorkedOut] = {}

    @property
    def snapshot(self) -> Snapshot:
        """What this process answers from at this moment: an answer under another is no longer at hand."""
        held = self._answering.snapshot.held
        if held is None or not self._looked:
            raise NotAtHand(self.look)
        return held

    def no_older_than(self, revision: int) -> None:
        """Ask that the snapshot is of this revision, which has been active, or of a later one."""
        if self.snapshot.revision < revision and self._at_least < revision:
            raise NotAtHand(lambda: self.look(revision))

    def answer(self, submission: Submission, sheets: tuple[SentSheet, ...] = ()) -> Answered:
        """What the readings, and a bench's lift tables of the same shaft, say of the snapshot's revision."""
        snapshot = self.snapshot
        key = self._key(snapshot, submission, sheets)
        if key not in self._answers:
            raise NotAtHand(lambda: self._work_out(snapshot, key, submission, sheets))
        return self._answers[key]

    def worked_out(self, sent: SentSheet) -> WorkedOut:
        """A bench's lift tables by themselves, held against the snapshot's revision."""
        snapshot = self.snapshot
        key = snapshot.revision, snapshot.engine_version, sent
        if key not in self._sheets:
            raise NotAtHand(lambda: self._work_tables_out(snapshot, sent))
        return self._sheets[key]

    def look(self, at_least: int = 0) -> None:
        """Look which snapshot is to be answered from; with no transaction open. Raises `Unavailable`."""
        self._answering.snapshot.now(self._stores, at_least)
        self._looked, self._at_least = True, at_least

    def _key(self, snapshot: Snapshot, submission: Submission, sheets: tuple[SentSheet, ...]) -> str:
        """The cache's key, worked out once for what is asked again at every beginning."""
        keyed = self._keyed
        if keyed is None or keyed[0] is not snapshot or keyed[1] is not submission or keyed[2] != sheets:
            keyed = snapshot, submission, sheets, self._answering.cache_key(snapshot, submission, sheets)
            self._keyed = keyed
        return keyed[3]

    def _work_out(self, snapshot: Snapshot, key: str, submission: Submission, sheets: tuple[SentSheet, ...]) -> None:
        self._answers[key] = self._answering.under(self._stores, snapshot, submission, sheets, key)

    def _work_tables_out(self, snapshot: Snapshot, sent: SentSheet) -> None:
        curves = self._answering.snapshot.curves(self._stores, snapshot)
        self._sheets[snapshot.revision, snapshot.engine_version, sent] = work_out_under(snapshot, curves, sent)


def with_answers(
    stores: Stores,
    answering: Answering,
    work: Callable[[AtHand], Result],
    first: Callable[[AtHand], object] | None = None,
) -> Result:
    """Do `work`, which opens a transaction of its own, from the start until every answer it asks for is at hand.

    `first` asks for what the work is known to need, which saves it a beginning. Raises `Conflict` where what the work
    is about changes faster than it can be answered.
    """
    at_hand = AtHand(stores, answering)
    if first is not None:
        _until_at_hand(first, at_hand)
    return _until_at_hand(work, at_hand)


def _until_at_hand(work: Callable[[AtHand], Result], at_hand: AtHand) -> Result:
    for _ in range(MOST_BEGINNINGS):
        try:
            return work(at_hand)
        except NotAtHand as missing:
            work_out = missing.work_out
        work_out()
    raise Conflict("This is being changed faster than it can be answered; try again shortly.")

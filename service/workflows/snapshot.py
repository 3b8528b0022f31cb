"""The catalogue as this process has it in memory: one table a revision, looked at again now and then."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from service.domain.errors import Unavailable
from service.identification.lift_curves import CatalogueCurves, build_curves
from service.identification.measuring import MeasuringModel
from service.identification.table import CatalogueTable, build_table
from service.workflows.ports import Transaction


@dataclass(frozen=True)
class Snapshot:
    """One catalogue revision as the engine reads it."""

    revision: int
    table: CatalogueTable


class CatalogueSnapshot:
    """Gives the active revision's table; built once a revision, the revision's number asked for every half second.

    While one thread builds a new revision's table the others go on with the old one: every answer names the revision
    it rests on, so none of them is wrong.
    """

    def __init__(
        self, model: MeasuringModel, recheck_seconds: float = 0.5, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._model = model
        self._recheck_seconds = recheck_seconds
        self._clock = clock
        self._lock = threading.Lock()
        self._held: Snapshot | None = None
        self._curves: tuple[int, CatalogueCurves] | None = None
        self._checked_at = 0.0

    def current(self, transaction: Transaction) -> Snapshot:
        """The active revision; raises `Unavailable` before the first import."""
        held = self._held
        if held is not None and self._clock() - self._checked_at < self._recheck_seconds:
            return held
        if not self._lock.acquire(blocking=held is None):
            assert held is not None  # noqa: S101  only a holder goes on without waiting
            return held
        try:
            return self._refresh(transaction)
        finally:
            self._lock.release()

    def curves(self, transaction: Transaction, snapshot: Snapshot) -> CatalogueCurves:
        """The lift curves of a snapshot's revision, made when they are first asked for."""
        held = self._curves
        if held is None or held[0] != snapshot.revision:
            held = snapshot.revision, build_curves(transaction.catalogue.load(snapshot.revision), snapshot.table)
            self._curves = held
        return held[1]

    def _refresh(self, transaction: Transaction) -> Snapshot:
        revision = transaction.catalogue.active_revision()
        if revision is None:
            raise Unavailable("No catalogue has been imported here yet.")
        if self._held is None or self._held.revision != revision:
            self._held = Snapshot(revision, build_table(transaction.catalogue.load(revision), self._model))
        self._checked_at = self._clock()
        return self._held

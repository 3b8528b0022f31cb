"""What this process answers from: the catalogue's table and the engine's constants, looked at now and then."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from service.domain.errors import Unavailable
from service.identification.lift_curves import CatalogueCurves, build_curves
from service.identification.measuring import MeasuringModel
from service.identification.table import CatalogueTable, build_table
from service.workflows.engine_ports import version_named
from service.workflows.ports import Stores, Transaction


@dataclass(frozen=True)
class Snapshot:
    """One catalogue revision as the engine reads it, under one set of constants.

    `engine_version` is how answers name the engine; `model` its constants, which `table` is built with. `made_at` tells
    the revision from one that had its number before a backup was brought back.
    """

    revision: int
    table: CatalogueTable
    engine_version: str
    model: MeasuringModel
    made_at: datetime


class CatalogueSnapshot:
    """Gives the active revision's table under the constants in use, `model` where no version is.

    It is built once for each of these; which are active is asked every half second: by a thread of its own where
    `keep_fresh` was called, so that no request waits for a table to be built, and by requests otherwise. While one
    thread builds a table the others go on with the old one: every answer names the revision and the version it rests
    on, so none is wrong.
    """

    def __init__(
        self, model: MeasuringModel, recheck_seconds: float = 0.5, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._model = model
        self._recheck_seconds = recheck_seconds
        self._clock = clock
        self._lock = threading.Lock()
        self._held: Snapshot | None = None
        self._curves: tuple[Snapshot, CatalogueCurves] | None = None
        self._checked_at = 0.0
        self._stopped = threading.Event()
        self._keeper: threading.Thread | None = None

    def keep_fresh(self, stores: Stores) -> None:
        """Look for what is active on a thread of this process's own, until `stop`. Call it after any fork."""
        self._keeper = threading.Thread(target=self._keep, args=(stores,), name="catalogue-snapshot", daemon=True)
        self._keeper.start()

    def stop(self) -> None:
        """End that thread."""
        self._stopped.set()
        if self._keeper is not None:
            self._keeper.join(timeout=10)

    def _keep(self, stores: Stores) -> None:
        while not self._stopped.wait(self._recheck_seconds):
            # A store that is away, or a first catalogue that has not come yet: whoever asks for an answer is told.
            with contextlib.suppress(Unavailable), self._lock, stores.transaction() as transaction:
                self._refresh(transaction)

    @property
    def held_revision(self) -> int | None:
        """The revision that answers come from at this moment; None while no table has been built."""
        held = self._held
        return None if held is None else held.revision

    def current(self, transaction: Transaction, at_least: int = 0) -> Snapshot:
        """The active revision; raises `Unavailable` before the first import.

        Where what is held is older than `at_least`, which has been active, this waits for the active one's table.
        """
        held = self._held
        if held is None or held.revision < at_least:
            with self._lock:
                return self._refresh(transaction)
        if self._keeper is not None and self._keeper.is_alive():
            return held
        if self._clock() - self._checked_at < self._recheck_seconds:
            return held
        if not self._lock.acquire(blocking=False):
            return held
        try:
            return self._refresh(transaction)
        finally:
            self._lock.release()

    def curves(self, transaction: Transaction, snapshot: Snapshot) -> CatalogueCurves:
        """The lift curves of a snapshot's revision, made when they are first asked for."""
        held = self._curves
        if held is None or held[0] is not snapshot:
            held = snapshot, build_curves(transaction.catalogue.load(snapshot.revision), snapshot.table)
            self._curves = held
        return held[1]

    def _refresh(self, transaction: Transaction) -> Snapshot:
        revision = transaction.catalogue.active_revision()
        if revision is None:
            raise Unavailable("No catalogue has been imported here yet.")
        constants = transaction.engine_versions.active()
        held, engine_version = self._held, version_named(constants)
        if held is None or (held.revision, held.engine_version) != (revision, engine_version):
            version = None if constants is None else transaction.engine_versions.find(constants)
            model = self._model if version is None else version.model
            table = build_table(transaction.catalogue.load(revision), model)
            found = transaction.catalogue.revision(revision)
            if found is None:
                raise RuntimeError("the active revision is gone")
            self._held = held = Snapshot(revision, table, engine_version, model, found.made_at)
        self._checked_at = self._clock()
        return held

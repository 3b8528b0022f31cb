"""What this process answers from: the catalogue's table under the engine version in use, looked at now and then."""

from __future__ import annotations

import contextlib
import hashlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from service.domain.catalogue import Catalogue
from service.domain.errors import Unavailable
from service.identification.catalogue_table.lift_curves import CatalogueCurves, build_curves
from service.identification.catalogue_table.table import CatalogueTable, build_table
from service.identification.learning.demand import NOTHING_LEARNED, Demand, with_demand
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel
from service.workflows.identifying.engine_versions import answers_by, version_named, version_of
from service.workflows.ports.stores import Stores, Transaction


@dataclass(frozen=True)
class Snapshot:
    """One catalogue revision as the engine reads it, under one set of constants.

    `engine_version` is how answers name the engine; `model` its constants and `demand` what it learned of the parts'
    shares of callers, which `table` is built with. `made_at` tells the revision from one that had its number before a
    backup was brought back.
    """

    revision: int
    table: CatalogueTable
    engine_version: str
    model: MeasuringModel
    made_at: datetime
    demand: Demand = NOTHING_LEARNED

    @cached_property
    def fingerprint(self) -> str:
        """What tells it from any other: equal ones have equal texts."""
        whole = repr((self.revision, self.made_at, self.engine_version, self.model, self.demand))
        return hashlib.sha256(whole.encode()).hexdigest()


def table_under(catalogue: Catalogue, model: MeasuringModel, demand: Demand) -> CatalogueTable:
    """The table of a revision under what a version answers by: what is kept, and what every process answers from."""
    return with_demand(build_table(catalogue, model), demand)


@dataclass(frozen=True)
class _Unbuilt:
    """A snapshot whose table is still to be built."""

    revision: int
    catalogue: Catalogue
    engine_version: str
    model: MeasuringModel
    made_at: datetime
    demand: Demand

    def built(self) -> Snapshot:
        """It with its table."""
        table = table_under(self.catalogue, self.model, self.demand)
        return Snapshot(self.revision, table, self.engine_version, self.model, self.made_at, self.demand)


class CatalogueSnapshot:
    """Gives the active revision's table under the engine's version in use.

    It is read where it is kept, and built where not; which are active is asked four times a second: by a thread of its
    own where `keep_fresh` was called, so that no request waits for a table to be built, and by requests otherwise.
    While one thread builds a table the others go on with the old one: every answer names the revision and the version
    it rests on, so none is wrong.
    """

    def __init__(self, recheck_seconds: float = 0.25, clock: Callable[[], float] = time.monotonic) -> None:
        self._recheck_seconds = recheck_seconds
        self._clock = clock
        self._lock = threading.Lock()
        self._held: Snapshot | None = None
        self._curves: tuple[Snapshot, CatalogueCurves] | None = None
        self._checked_at = 0.0
        self._stopped = threading.Event()
        self._keeper: threading.Thread | None = None

    def keep_fresh(self, stores: Stores) -> None:
        """Look for what is active on a thread of this process's own, until `stop`. Call it after any fork.

        What was read before the fork is kept where it is still active, or where that cannot be asked.
        """
        if self._held is not None:
            with contextlib.suppress(Unavailable), stores.transaction() as transaction:
                if not self._is_active(transaction):
                    self._held = None
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
            with contextlib.suppress(Unavailable), self._lock:
                self._refresh(stores)

    @property
    def held(self) -> Snapshot | None:
        """What answers come from at this moment; None while no table has been built."""
        return self._held

    @property
    def is_kept_fresh(self) -> bool:
        """Whether a thread of its own looks for what is active."""
        return self._keeper is not None and self._keeper.is_alive()

    def now(self, stores: Stores, at_least: int = 0) -> Snapshot:
        """The active revision; raises `Unavailable` before the first import. Call it with no transaction open.

        Where what is held is older than `at_least`, which has been active, this waits for the active one's table.
        """
        held = self._held
        if held is not None and held.revision < at_least:
            with self._lock:
                return self._refresh(stores)
        return self._fresh() or self._looked_for(stores)

    def now_if_any(self, stores: Stores) -> Snapshot | None:
        """`now`; None before the first import."""
        with stores.transaction() as transaction:
            if transaction.catalogue.active_revision() is None:
                return None
        return self.now(stores)

    def constants(self, stores: Stores) -> MeasuringModel:
        """The constants in use, the code's own before the first import. Call it with no transaction open."""
        held = self._fresh() or self.now_if_any(stores)
        return DEFAULT_MODEL if held is None else held.model

    def curves(self, stores: Stores, snapshot: Snapshot) -> CatalogueCurves:
        """The lift curves of a snapshot's revision, made when they are first asked for, with no transaction open."""
        held = self._curves
        if held is None or held[0] is not snapshot:
            with stores.transaction() as transaction:
                catalogue = transaction.catalogue.load(snapshot.revision)
            held = snapshot, build_curves(catalogue, snapshot.table)
            self._curves = held
        return held[1]

    def _fresh(self) -> Snapshot | None:
        """What is held, where that need not be asked about."""
        if self.is_kept_fresh or self._clock() - self._checked_at < self._recheck_seconds:
            return self._held
        return None

    def _looked_for(self, stores: Stores) -> Snapshot:
        held = self._held
        if not self._lock.acquire(blocking=held is None):
            assert held is not None  # noqa: S101  only a holder goes on without waiting
            return held
        try:
            return self._refresh(stores)
        finally:
            self._lock.release()

    def _refresh(self, stores: Stores) -> Snapshot:
        with stores.transaction() as transaction:
            active = self._active(transaction)
        return self._built(active)

    def _active(self, transaction: Transaction) -> Snapshot | _Unbuilt:
        revision = transaction.catalogue.active_revision()
        if revision is None:
            raise Unavailable("No catalogue has been imported here yet.")
        constants = transaction.engine_versions.active()
        held, engine_version = self._held, version_named(constants)
        if held is not None and (held.revision, held.engine_version) == (revision, engine_version):
            return held
        model, demand = answers_by(version_of(transaction, constants))
        found = transaction.catalogue.revision(revision)
        if found is None:
            raise RuntimeError("the active revision is gone")
        transaction.catalogue.allow_time()
        table = transaction.engine_tables.find(revision, engine_version)
        if table is not None:
            return Snapshot(revision, table, engine_version, model, found.made_at, demand)
        return _Unbuilt(revision, transaction.catalogue.load(revision), engine_version, model, found.made_at, demand)

    def _is_active(self, transaction: Transaction) -> bool:
        held, constants = self._held, transaction.engine_versions.active()
        named = transaction.catalogue.active_revision(), version_named(constants)
        return held is not None and (held.revision, held.engine_version) == named

    def _built(self, active: Snapshot | _Unbuilt) -> Snapshot:
        self._held = active.built() if isinstance(active, _Unbuilt) else active
        self._checked_at = self._clock()
        return self._held


def keep_engine_table(stores: Stores, snapshot: CatalogueSnapshot) -> int:
    """Keep the active revision's table under the version in use, where it is not; returns how many were kept."""
    current = snapshot.now_if_any(stores)
    if current is None:
        return 0
    with stores.transaction() as transaction:
        if transaction.engine_tables.is_kept(current.revision, current.engine_version):
            return 0
        if transaction.catalogue.active_revision() != current.revision:
            return 0  # another has become active meanwhile, whose table is kept the next time
        transaction.catalogue.allow_time()
        transaction.engine_tables.keep(current.revision, current.engine_version, current.table)
    return 1

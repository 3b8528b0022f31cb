"""The look-alike map: worked out once for each revision and engine version, kept, and looked up.

What a caliper cannot tell apart at the usual rate is kept with the revision, at its import or soon after by the worker.
Other kits and rates are worked out when they are asked for, as is the usual one while it is not there yet: that takes
less than a second for ten thousand parts.
"""

from __future__ import annotations

import threading

from service.identification.look_alikes import DEFAULT_KIT, Kit, LookAlike, look_alikes
from service.identification.table import build_table
from service.workflows.ports import Stores, Transaction
from service.workflows.snapshot import CatalogueSnapshot, Snapshot

_MAPS_HELD = 6


class LookAlikeMap:
    """Gives the look-alikes of a revision to a kit of tools, and holds the last few maps that were asked for."""

    def __init__(self, snapshot: CatalogueSnapshot) -> None:
        self._snapshot = snapshot
        self._lock = threading.Lock()
        self._held: dict[tuple[int, str, Kit], tuple[LookAlike, ...]] = {}

    def engine_version(self, transaction: Transaction) -> str:
        """The version of the engine whose spreads the map rests on."""
        return self._snapshot.current(transaction).engine_version

    def of(self, transaction: Transaction, revision: int, kit: Kit = DEFAULT_KIT) -> tuple[LookAlike, ...]:
        """Look-alikes in the order of the catalogue's parts; raises `InvalidInput` for a kit that will not do."""
        current = self._snapshot.current(transaction)
        key = (revision, current.engine_version, kit)
        held = self._held.get(key)
        if held is not None:
            return held
        with self._lock:
            if key not in self._held:
                pairs = None
                if kit == DEFAULT_KIT:
                    pairs = transaction.look_alikes.find(revision, current.engine_version)
                if pairs is None:
                    pairs = _worked_out(transaction, current, revision, kit)
                while len(self._held) >= _MAPS_HELD:
                    del self._held[next(iter(self._held))]
                self._held[key] = pairs
            return self._held[key]

    def about(self, transaction: Transaction, revision: int, part_numbers: frozenset[str]) -> tuple[LookAlike, ...]:
        """The look-alikes to a caliper, in a revision, of any of these parts."""
        pairs = self.of(transaction, revision)
        return tuple(pair for pair in pairs if pair.part_number in part_numbers or pair.other in part_numbers)


def map_look_alikes(stores: Stores, snapshot: CatalogueSnapshot) -> int:
    """Keep the map of the active revision under the version in use, if it is not there; returns how many it made."""
    with stores.transaction() as transaction:
        if transaction.catalogue.active_revision() is None:
            return 0
        current = snapshot.current(transaction)
        if transaction.look_alikes.is_kept(current.revision, current.engine_version):
            return 0
        pairs = _worked_out(transaction, current, current.revision, DEFAULT_KIT)
        transaction.look_alikes.forget_others(current.engine_version)
        transaction.look_alikes.keep(current.revision, current.engine_version, pairs)
    return 1


def _worked_out(transaction: Transaction, current: Snapshot, revision: int, kit: Kit) -> tuple[LookAlike, ...]:
    table = current.table
    if revision != current.revision:
        table = build_table(transaction.catalogue.load(revision), current.model)
    return look_alikes(table, current.model, kit)

"""The look-alike map: worked out once for each revision and engine version, kept, and looked up.

What a caliper cannot tell apart at the usual rate is kept with the revision, at its import or soon after by the worker.
Other kits and rates are worked out when they are asked for, as is the usual one while it is not there yet: that takes
less than a second for ten thousand parts, and is done while no transaction is open.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass

from service.identification.catalogue_table.table import build_table
from service.identification.look_alikes.look_alike_map import DEFAULT_KIT, Kit, LookAlike, look_alikes
from service.workflows.identifying.engine_versions import version_named
from service.workflows.identifying.snapshot import CatalogueSnapshot, Snapshot
from service.workflows.ports.stores import Stores

_MAPS_HELD = 6


@dataclass(frozen=True)
class MapFound:
    """Look-alikes in the order of the catalogue's parts, and the version of the engine whose spreads they rest on."""

    engine_version: str
    pairs: tuple[LookAlike, ...]


class LookAlikeMap:
    """Gives the look-alikes of a revision to a kit of tools, and holds the last few maps that were asked for.

    Call its members with no transaction open.
    """

    def __init__(self, snapshot: CatalogueSnapshot) -> None:
        self._snapshot = snapshot
        self._lock = threading.Lock()
        self._held: dict[tuple[int, str, Kit], tuple[LookAlike, ...]] = {}

    def engine_version(self, stores: Stores) -> str:
        """The version of the engine whose spreads maps rest on now."""
        return self._snapshot.now(stores).engine_version

    def of(self, stores: Stores, revision: int, kit: Kit = DEFAULT_KIT) -> MapFound:
        """The map of a revision; raises `InvalidInput` for a kit that will not do."""
        current = self._snapshot.now(stores)
        key = (revision, current.engine_version, kit)
        held = self._held.get(key)
        if held is None:
            with self._lock:
                held = self._held.get(key)
                if held is None:
                    held = _found(stores, current, revision, kit)
                    while len(self._held) >= _MAPS_HELD:
                        del self._held[next(iter(self._held))]
                    self._held[key] = held
        return MapFound(current.engine_version, held)

    def about(self, stores: Stores, revision: int, part_numbers: frozenset[str]) -> tuple[LookAlike, ...]:
        """The look-alikes to a caliper, in a revision, of any of these parts."""
        pairs = self.of(stores, revision).pairs
        return tuple(pair for pair in pairs if pair.part_number in part_numbers or pair.other in part_numbers)


def map_look_alikes(stores: Stores, snapshot: CatalogueSnapshot) -> int:
    """Keep the map of the active revision under the version in use, if it is not there; returns how many it made."""
    current = snapshot.now_if_any(stores)
    if current is None:
        return 0
    with stores.transaction() as transaction:
        if transaction.look_alikes.is_kept(current.revision, current.engine_version):
            return 0
    pairs = look_alikes(current.table, current.model)
    with stores.transaction() as transaction:
        if version_named(transaction.engine_versions.active()) != current.engine_version:
            return 0  # another has been put to use meanwhile, whose map is made the next time
        transaction.look_alikes.forget_others(current.engine_version)
        transaction.look_alikes.keep(current.revision, current.engine_version, pairs)
    return 1


def _found(stores: Stores, current: Snapshot, revision: int, kit: Kit) -> tuple[LookAlike, ...]:
    catalogue = None
    with stores.transaction() as transaction:
        kept = transaction.look_alikes.find(revision, current.engine_version) if kit == DEFAULT_KIT else None
        if kept is not None:
            return kept
        if revision != current.revision:
            catalogue = transaction.catalogue.load(revision)
    table = current.table if catalogue is None else build_table(catalogue, current.model)
    return look_alikes(table, current.model, kit)

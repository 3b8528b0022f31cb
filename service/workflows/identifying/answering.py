"""From readings to an answer under one catalogue revision, out of the cache where it was worked out before."""

from __future__ import annotations

import hashlib
import time
from dataclasses import dataclass, field, replace
from typing import Protocol

import msgspec

from service.domain.identification import AnswerState, Identification
from service.domain.readings import Marking, Submission
from service.identification.answer.losses import DEFAULT_LOSSES, Losses
from service.identification.engine import identify
from service.lobe.sent_sheet import SentSheet
from service.spans import span
from service.workflows.identifying.snapshot import CatalogueSnapshot, Snapshot
from service.workflows.identifying.weighed_tables import evidence_of
from service.workflows.ports.stores import Stores

_SOME_MARKING = (Marking("somewhere", "something"),)


class AnswerCache(Protocol):
    """Answers by the hash of everything they rest on. Losing it costs time and nothing else."""

    def get(self, key: str) -> Identification | None:
        """The answer kept under `key`; None when there is none or the cache is away."""
        ...

    def put(self, key: str, identification: Identification) -> None:
        """Keep an answer; quietly does nothing while the cache is away."""
        ...


class Meter(Protocol):
    """What is counted of answers."""

    def answered(self, state: AnswerState, from_cache: bool, seconds: float) -> None:
        """One more answer, and how long it took to get."""
        ...


@dataclass(frozen=True)
class Answered:
    """An answer and the one catalogue revision it rests on."""

    identification: Identification
    catalogue_revision: int


@dataclass(frozen=True)
class Answering:
    """How this process answers: catalogue and constants in memory, cache, and the losses set for the deployment."""

    cache: AnswerCache
    meter: Meter
    losses: Losses = DEFAULT_LOSSES
    snapshot: CatalogueSnapshot = field(default_factory=CatalogueSnapshot)

    def now(self, stores: Stores, submission: Submission) -> Answered:
        """What the readings say of the active catalogue revision. Call it with no transaction open."""
        return self.under(stores, self.snapshot.now(stores), submission)

    def under(
        self,
        stores: Stores,
        snapshot: Snapshot,
        submission: Submission,
        sheets: tuple[SentSheet, ...] = (),
        key: str | None = None,
    ) -> Answered:
        """What the readings, and a bench's lift tables of the same shaft, say of a snapshot's revision.

        `key` is their `cache_key`, where it is known. Call it with no transaction open: it takes a while.
        """
        started = time.perf_counter()
        key = key or self.cache_key(snapshot, submission, sheets)
        with span("identification", lobedesk__readings=len(submission.readings), lobedesk__sheets=len(sheets)) as said:
            identification = self.cache.get(key)
            from_cache = identification is not None
            if identification is None:
                tables = None
                if sheets:
                    with span("lift tables"):
                        curves = self.snapshot.curves(stores, snapshot)
                        tables = evidence_of(sheets, curves, snapshot.table, snapshot.model)
                with span("engine"):
                    found = identify(snapshot.table, submission, snapshot.model, self.losses, tables=tables, watch=span)
                identification = replace(found, engine_version=snapshot.engine_version)
                self.cache.put(key, identification)
            said.say(
                lobedesk__state=identification.state.value,
                lobedesk__from_cache=from_cache,
                lobedesk__catalogue_revision=snapshot.revision,
                lobedesk__engine_version=snapshot.engine_version,
            )
        self.meter.answered(identification.state, from_cache, time.perf_counter() - started)
        return Answered(identification, snapshot.revision)

    def cache_key(self, snapshot: Snapshot, submission: Submission, sheets: tuple[SentSheet, ...] = ()) -> str:
        """A hash of everything an answer rests on, and of nothing else: no name, no note, no marking's text."""
        # Of markings only that there are some matters, for the advice about them.
        markings = _SOME_MARKING if submission.markings else ()
        used = replace(submission, contact=None, note=None, markings=markings, ask_person=False)
        # Frozen dataclasses of decimals, enumerations and text: equal values have equal representations.
        beside = repr((snapshot.fingerprint, self.losses, sheets))
        return hashlib.sha256(beside.encode() + msgspec.json.encode(used)).hexdigest()

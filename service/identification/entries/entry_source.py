"""Where a submission's entries come from: each as it was meant under a slip, read by a hand of a level."""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from service.domain.readings import Submission
from service.identification.entries.entries import Entry, entry_of, other_entries
from service.identification.entries.slips import Hypothesis
from service.identification.entries.table_evidence import TableEvidence, table_entry
from service.identification.entries.valve_events import weighed_events
from service.identification.measuring.model import MeasuringModel

_GROOVE_MEAN_MM = 0.5
"""How much smaller a journal reads in its oil groove or on a chamfer, on average (common practice, no source)."""


class Source(Protocol):
    """Gives the entries of a submission under a slip hypothesis and a hand's level."""

    def of(self, hypothesis: Hypothesis, level: float) -> tuple[Entry, ...]:
        """The entries as they were meant."""
        ...


class EntrySource:
    """Builds each reading's entry once a hand, however many hypotheses share it."""

    def __init__(
        self,
        submission: Submission,
        model: MeasuringModel,
        families: frozenset[str],
        tables: TableEvidence | None = None,
    ) -> None:
        self._submission = submission
        self._other_unit = replace(submission, unit=submission.unit.other)
        self._model = model
        self._others = tuple(other_entries(submission, families))
        if tables is not None:
            self._others += (table_entry(tables),)
        self._known: dict[tuple[int, float, bool], Entry | None] = {}
        self._events: dict[tuple[float, bool], tuple[Entry, ...]] = {}

    def _written(self, index: int, level: float, other_unit: bool) -> Entry | None:
        key = (index, level, other_unit)
        if key not in self._known:
            submission = self._other_unit if other_unit else self._submission
            e = entry_of(index, submission.readings[index], submission, self._model, level)
            self._known[key] = e.simplified() if e is not None else None
        return self._known[key]

    def _of_events(self, level: float, other_unit: bool) -> tuple[Entry, ...]:
        key = (level, other_unit)
        if key not in self._events:
            submission = self._other_unit if other_unit else self._submission
            self._events[key] = weighed_events(submission, self._model, level).entries
        return self._events[key]

    def of(self, hypothesis: Hypothesis, level: float) -> tuple[Entry, ...]:
        """The entries as they were meant under `hypothesis`, read by a hand of `level`."""
        found = []
        for i in range(len(self._submission.readings)):
            meant = hypothesis.changed.get(i)
            if meant is None:
                e = self._written(i, level, hypothesis.other_unit)
            else:
                e = entry_of(i, meant, self._submission, self._model, level)
                e = e.simplified() if e is not None else None
            if e is None:
                continue
            found.append(replace(e, tail=_GROOVE_MEAN_MM, sign=-1) if hypothesis.misread == i else e)
        return (*found, *self._of_events(level, hypothesis.other_unit), *self._others)

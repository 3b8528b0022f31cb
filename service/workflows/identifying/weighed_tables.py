"""Which kept lift tables an answer rests on, and what they say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.identification.catalogue_table.lift_curves import CatalogueCurves
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.entries.table_evidence import TableEvidence, table_evidence, together
from service.identification.measuring.model import MeasuringModel
from service.lobe.analysis import analyse
from service.lobe.sent_sheet import SentLobe, SentSheet
from service.workflows.identifying.bench_record import at_reference
from service.workflows.ports.lift_tables import KeptSheet


def evidence_of(
    sheets: Sequence[SentSheet], curves: CatalogueCurves, table: CatalogueTable, model: MeasuringModel
) -> TableEvidence | None:
    """What sheets of different lobes say together; None where none of them can be compared."""
    several = [
        table_evidence(
            analyse(sent.sheet),
            curves,
            table,
            model,
            used=sent.used,
            direction_known=sent.direction_known,
        )
        for sent in sheets
    ]
    return together([each for each in several if each is not None])


def weighed(kept: tuple[KeptSheet, ...]) -> tuple[SentSheet, ...]:
    """The sheets that an answer rests on, at 20 °C, first to last: of a lobe that was read again, the last table alone.

    Two tables of one lobe share how it was ground, so they are no two independent readings of its part.
    """
    found: list[SentSheet] = []
    seen: set[tuple[object, int]] = set()
    for each in reversed(kept):
        if each.withdrawal is not None:
            continue
        sent = at_reference(each.sent, each.bench)
        lobes = tuple(lobe for lobe in sent.lobes if _named(lobe) not in seen)
        seen |= {_named(lobe) for lobe in sent.lobes}
        if len(lobes) == len(sent.lobes):
            found.append(sent)
        elif lobes:
            found.append(replace(sent, lobes=lobes))
    return tuple(reversed(found))


def _named(lobe: SentLobe) -> tuple[object, int]:
    return lobe.kind, lobe.cylinder

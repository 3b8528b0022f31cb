"""Cores that no reading of a submission tells apart: of very many, one stands for all that are alike.

Only strangers ask for it: what is known of a shaft that nobody sells is its core, and where thousands of cores differ
by far less than anything read, following each of them costs much and tells nothing.
"""

from __future__ import annotations

import numpy as np

from service.domain.arrays import Floats, Ints
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.entries.entries import Entry, Truth
from service.identification.entries.entry_lists import EntryLists
from service.identification.likelihood.priors import core_width
from service.identification.measuring.model import MeasuringModel
from service.identification.numerics.distinct import distinct

_FEW = 250
"""Of so few cores each is followed by itself."""
_ALIKE = 0.25
"""Cores differ by less than this part of what a reading of them, or a stranger's base circle, strays by."""


def stand_for_alike(
    table: CatalogueTable, cores: Ints, log_share: Floats, hypotheses: EntryLists, model: MeasuringModel, used: bool
) -> tuple[Ints, Floats]:
    """(cores that stand for all of `cores`, the log prior of all that each stands for), in the order of `cores`."""
    if cores.size <= _FEW:
        return cores, log_share
    exact, seen = _seen(table, cores, hypotheses, model, used)
    scaled = np.stack([*seen, np.zeros(cores.size)]) / _ALIKE
    _, of = distinct(*exact, *np.round(scaled))
    return _summed(cores, log_share, of, scaled)


def _seen(
    table: CatalogueTable, cores: Ints, hypotheses: EntryLists, model: MeasuringModel, used: bool
) -> tuple[list[Floats], list[Floats]]:
    """What the readings see of each core: what must be equal, and what strays, in spreads of what it strays by."""
    exact: list[Floats] = []
    seen: list[Floats] = []
    read: dict[tuple[object, ...], list[Entry]] = {}
    for e in hypotheses.pool:
        read.setdefault(e.group, []).append(e)
    for key, entries in read.items():
        finest = min(e.sd for e in entries)
        if key[0] in ("journal", "length"):
            mean, sd, _ = core_width(table, cores, key, model, used)
            exact.append(np.asarray(np.round(np.log(sd), 2), float))
            seen.append(mean / np.hypot(sd, finest))
        elif key[0] == "teeth":
            exact.append(table.teeth[cores].astype(float))
        elif key[0] == "family":
            exact += [np.isin(cores, table.cores_named_for.get(e.claim, ())).astype(float) for e in entries]
    lobes = {int(str(key[1])) for key, entries in read.items() if _feels_base(entries)}
    seen += [table.core_base[cores, lobe] / model.stranger_base_sd for lobe in sorted(lobes)]
    return exact, seen


def _feels_base(entries: list[Entry]) -> bool:
    return any(e.truth in (Truth.BASE, Truth.HEIGHT, Truth.FLANK) for e in entries)


def _summed(cores: Ints, log_share: Floats, of: Ints, scaled: Floats) -> tuple[Ints, Floats]:
    """The most central core of each group, and the group's share."""
    share = np.exp(log_share)
    total = np.bincount(of, share)
    middle = np.stack([np.bincount(of, share * column) / total for column in scaled])
    away = ((scaled - middle[:, of]) ** 2).sum(axis=0)
    order = np.lexsort((away, of))
    first = np.sort(order[np.flatnonzero(np.diff(of[order], prepend=-1))])
    return cores[first], np.log(total[of[first]])

"""Shafts that nobody sells: on which cores they are worth following, and which slips only they speak for."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from service.domain.arrays import Floats, Ints
from service.identification.catalogue_table.rows import Rows, stranger_rows
from service.identification.catalogue_table.table import CatalogueTable
from service.identification.entries.entry_lists import EntryLists
from service.identification.measuring.model import MeasuringModel
from service.identification.shortlist.alike_cores import stand_for_alike
from service.identification.shortlist.rough_fit import rough_log_likelihood
from service.identification.shortlist.screening import ByHand, Kept

_CORE_CUT = 12.0
"""Nats that strangers of one core may be behind those of the likeliest and still be followed lift by lift."""
_AS_GOOD = 10.0
"""Nats that a slip may be behind the plain reading, and still be worth a closer look if nobody sells the shaft."""


def likely_strangers(
    table: CatalogueTable,
    kept: Kept,
    hands: Sequence[ByHand],
    model: MeasuringModel,
    used: bool,
    patience: float = 0.0,
) -> tuple[Rows, Ints]:
    """(rows of strangers, the hypotheses that make one of them a plausible shaft though no part speaks for them).

    Both may be `patience` nats further behind than usually, under any of `hands`, the likeliest first.
    """
    cores, log_share = _cores(table, kept, hands[0].hypotheses, model, used)
    # one broad row a core and kind of lift: what a core is worth shows on those
    broad = stranger_rows(table, cores, None, log_share, model)
    every_hand = EntryLists.holding([entries for hand in hands for entries in hand.hypotheses])
    by_hand = rough_log_likelihood(table, broad, every_hand, model, used).reshape(len(hands), -1, broad.size)
    rough = (by_hand + np.array([hand.log_prior for hand in hands])[..., None]).max(axis=0) + broad.log_prior
    of_slip = rough.max(axis=1)
    slips = np.flatnonzero(np.isfinite(of_slip) & (of_slip >= of_slip[0] - _AS_GOOD - patience))
    of_core = rough[np.union1d(kept.hypotheses, slips)].max(axis=0).reshape(-1, cores.size).max(axis=0)
    likely = np.flatnonzero(of_core >= of_core.max() - _CORE_CUT - patience)
    lifts = None
    if kept.lift_mm is not None:
        low, high, step = kept.lift_mm
        lifts = np.arange(low, high + step, step)
    return stranger_rows(table, cores[likely], lifts, log_share[likely], model), slips


def _cores(
    table: CatalogueTable, kept: Kept, hypotheses: EntryLists, model: MeasuringModel, used: bool
) -> tuple[Ints, Floats]:
    """Cores kept, or what stands for them, the one nobody knows (-1) last; the log prior of a stranger on each."""
    with np.errstate(divide="ignore"):
        stranger = np.log(model.stranger_prior)
    share = table.core_parts[kept.cores] / max(table.core_parts.sum(), 1.0)
    known = stranger + math.log(model.stranger_known_core_share) + np.log(share)
    unknown = stranger + math.log1p(-model.stranger_known_core_share)
    cores, known = stand_for_alike(table, kept.cores, known, hypotheses, model, used)
    return np.concatenate([cores, [-1]]), np.concatenate([known, [unknown]])

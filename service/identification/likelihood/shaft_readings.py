"""What was read of one shaft: its lobes under every hypothesis, and what all else says of the tool's zero."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Floats, Ints
from service.identification.entries.entries import Entry, Truth
from service.identification.likelihood.variants import Variants
from service.identification.numerics.densities import log_sum_exp
from service.identification.one_lobe.lobe_integral import LobePrior


@dataclass(frozen=True, eq=False)
class LobeReadings:
    """What was read on one lobe under every hypothesis, and what the rows say of it."""

    variants: Variants
    prior: LobePrior

    def among(self, index: Ints) -> LobeReadings:
        """The same for some of the rows."""
        p = self.prior
        return LobeReadings(
            self.variants, LobePrior(p.base[index], p.base_sd[index], p.lift[index], p.lift_sd[index], p.wear)
        )

    def widths(self) -> list[Entry]:
        """Every width entry that any hypothesis holds."""
        return [e for s in self.variants.sets for e in s if e.truth in (Truth.BASE, Truth.HEIGHT)]


@dataclass(frozen=True, eq=False)
class ZeroWeights:
    """What journals, zero checks and the tool itself say of the zero, for each core and each zero of the grid.

    `log_weight` (J, C, M); hypothesis h has `of[h]` of the J; row k stands on core `core_of_row[k]` of the C.
    """

    zeros: Floats
    log_weight: Floats
    of: Ints
    core_of_row: Ints

    def alone(self) -> Floats:
        """Summed over the zeros, as where no lobe was read: (H, K)."""
        return np.asarray(log_sum_exp(self.log_weight, axis=2)[self.of][:, self.core_of_row])


def of_chosen(lobe: LobeReadings, which: Ints) -> tuple[list[tuple[Entry, ...]], Ints]:
    """The variants that the chosen combinations need, and where each combination finds its own (-1: not read)."""
    needed, back = np.unique(which, return_inverse=True)
    offset = int(needed[0] < 0)
    return [lobe.variants.sets[i] for i in needed if i >= 0], np.asarray(back).ravel() - offset

"""What repeats of one reading show: their mean, their standard deviation, and scatters pooled.

Type A evaluation of JCGM 100 (GUM), 4.2. Nothing here knows a tool or a feature.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal


@dataclass(frozen=True)
class RepeatStatistics:
    """`n` repeats: their mean, and the experimental standard deviation of one (None for a single reading)."""

    mean: Decimal
    sd: Decimal | None
    n: int

    @property
    def sd_of_mean(self) -> float | None:
        """s / sqrt(n): what the repeats alone say of their mean (JCGM 100, 4.2.3); None for a single reading."""
        return None if self.sd is None else float(self.sd) / math.sqrt(self.n)


def repeat_statistics(values: Sequence[Decimal]) -> RepeatStatistics:
    """Mean and standard deviation of `values`, reckoned exactly on the decimals as written and rounded once.

    The standard deviation is of one reading, over n - 1 (JCGM 100, 4.2.2). Raises ValueError for no values.
    """
    if not values:
        raise ValueError("no repeats to take a mean of")
    return RepeatStatistics(
        mean=statistics.mean(values),
        sd=statistics.stdev(values) if len(values) > 1 else None,
        n=len(values),
    )


def pooled_variance(parts: Iterable[tuple[float, float]]) -> float:
    """The variance pooled from (variance, degrees of freedom) pairs, each weighing by its degrees of freedom.

    JCGM 100, 4.2.4 and H.5.2.1. Degrees of freedom may be fractional. Raises ValueError when they sum to nothing.
    """
    pairs = list(parts)
    freedom = math.fsum(dof for _, dof in pairs)
    if freedom <= 0:
        raise ValueError("no degrees of freedom to pool")
    return math.fsum(variance * dof for variance, dof in pairs) / freedom

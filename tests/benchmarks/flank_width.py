"""How many look-alikes of the fixture catalogue a flank width parts that height and base circle cannot; prints a table.

    .venv/bin/python -m tests.benchmarks.flank_width

Two parts of one core look alike where neither lobe's lift nor its base circle differs by twice the spread of a caliper
reading's difference. A flank width parts them where the widths they are expected to show differ by twice the spread of
their difference. No simulation: what the engine expects of each part, and how sure it is of that.
"""

from __future__ import annotations

from decimal import Decimal
from itertools import combinations

import numpy as np

from service.domain.readings import Feature, Instrument, LobeKind, Reading, Source, Submission, Written
from service.domain.units import LengthUnit
from service.identification.catalogue_table.rows import Kind, part_rows
from service.identification.catalogue_table.table import LOBES, build_table
from service.identification.entries.entries import entry_of
from service.identification.measuring.model import DEFAULT_MODEL
from service.identification.one_lobe.flank import flank_width
from tests.benchmarks.catalogues import fixture_catalogue

SURE = 2.0


def _spread_of(feature: Feature, included: float) -> float:
    """Standard deviation of one caliper entry, its zero with it where a flank is compared."""
    reading = Reading(
        feature,
        (Written.parse("1.0000"),),
        Instrument.DIGITAL_CALIPER,
        lobe=LobeKind.INTAKE,
        included_angle_deg=Decimal(str(included)),
    )
    submission = Submission(Source.PHONE, LengthUnit.INCH, (reading,))
    entry = entry_of(0, reading, submission, DEFAULT_MODEL, 1.0)
    assert entry is not None
    return float(np.hypot(entry.sd, entry.tail))


def main() -> None:
    """Print the table."""
    table = build_table(fixture_catalogue())
    n = len(table.part_numbers)
    rows = part_rows(table, np.arange(n), Kind.MADE, np.zeros(n))
    caliper = SURE * np.sqrt(2) * _spread_of(Feature.BASE_CIRCLE, 90.0)
    making = SURE * np.sqrt(2) * np.array([DEFAULT_MODEL.base_making_sd, DEFAULT_MODEL.lift_making_sd])
    alike = [
        (a, b)
        for a, b in combinations(range(n), 2)
        if table.core_of[a] == table.core_of[b]
        and table.class_of[a] != table.class_of[b]
        and not (np.abs(table.base[a] - table.base[b]) > np.hypot(caliper, making[0])).any()
        and not (np.abs(table.lift[a] - table.lift[b]) > np.hypot(2 * caliper, making[1])).any()
    ]
    print(f"{n} parts, {len(alike)} pairs that height and base circle of both lobes leave alike")
    print(f"{'included angle':>16}{'parted by a flank width':>26}")
    for included in (60.0, 75.0, 90.0, 105.0, 120.0):
        reading = _spread_of(Feature.FLANK_WIDTH, included)
        parted = np.zeros(len(alike), bool)
        for lobe in range(len(LOBES)):
            expected = flank_width(table, rows, ("flank", lobe, 0, included, ""), DEFAULT_MODEL)
            first, second = np.array(alike).T
            away = np.abs(expected.base[first] - expected.base[second])
            spread = np.sqrt(expected.base_sd[first] ** 2 + expected.base_sd[second] ** 2 + 2 * reading**2)
            parted |= away > SURE * spread
        print(f"{included:>12.0f} deg{int(parted.sum()):>26}")


if __name__ == "__main__":
    main()

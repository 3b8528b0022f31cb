"""An example for the document: an invented lobe, as a bench would read it every six degrees."""

from __future__ import annotations

import math
from typing import Any


def _lift(from_nose_deg: float) -> float:
    """A lobe of 0.312 in: 1 - 1.9 x^2 + 1.4 x^6 - 0.2 x^8 - 0.3 x^10, x from the nose to 78 degrees off."""
    x = abs((from_nose_deg + 180) % 360 - 180) / 78
    return 0.312 * (1 - 1.9 * x**2 + 1.4 * x**6 - 0.2 * x**8 - 0.3 * x**10) if x < 1 else 0.0


def _table(nose_deg: float) -> list[list[Any]]:
    """Rows with a once-per-turn wave of 0.0016 in, written to a ten-thousandth."""
    return [
        [at, f"{_lift(at - nose_deg) + 0.0008 * math.cos(math.radians(at - 40)):.4f}".replace("-0.0000", "0.0000")]
        for at in range(0, 360, 6)
    ]


LIFT_TABLE_EXAMPLES: dict[str, dict[str, Any]] = {
    "a_bench": {
        "summary": "Both lobes of an invented shaft on one index.",
        "value": {
            "unit": "in",
            "angle": "cam",
            "follower": {"kind": "flat"},
            "lobes": [
                {"lobe": "exhaust", "base_circle": "0.8610", "table": _table(112)},
                {"lobe": "intake", "base_circle": "0.8610", "table": _table(220)},
            ],
            "rocker_ratio": "1.1",
            "lash": "0.006",
        },
    },
    "a_pasted_table": {
        "summary": "One lobe, pasted from a sheet, read with a roller in crank degrees.",
        "value": {
            "unit": "mm",
            "angle": "crank",
            "follower": {"kind": "roller", "radius": "9.5"},
            "direction": "falling",
            "lobes": [
                {
                    "lobe": "intake",
                    "base_circle": "28.00",
                    "csv": "angle,lift\n"
                    + "\n".join(f"{at * 2},{_lift(at - 150) * 25.4:.3f}" for at in range(0, 360, 5)),
                }
            ],
        },
    },
}

"""Length units. Inside the service every length is a float in millimetres and its name ends in `_mm`.

A caller's own unit is kept beside what they wrote and comes back only at the edge.
"""

from __future__ import annotations

from decimal import Decimal
from enum import StrEnum

MM_PER_INCH = Decimal("25.4")
"""Exact: the inch is 25.4 mm by definition (international yard of 1959, 0.9144 m)."""


class LengthUnit(StrEnum):
    """A unit a request may state its lengths in."""

    INCH = "in"
    MILLIMETRE = "mm"

    @property
    def mm(self) -> Decimal:
        """The size of one of this unit in millimetres, exact."""
        return MM_PER_INCH if self is LengthUnit.INCH else Decimal(1)

    @property
    def words(self) -> str:
        """The unit in a sentence, where `in` would be read as a preposition."""
        return "inches" if self is LengthUnit.INCH else "millimetres"

    @property
    def decimals(self) -> int:
        """How many decimals a length is shown with: 0.0001 in, 0.001 mm."""
        return 4 if self is LengthUnit.INCH else 3

    @property
    def other(self) -> LengthUnit:
        """The unit a mistaken caller may have meant."""
        return LengthUnit.MILLIMETRE if self is LengthUnit.INCH else LengthUnit.INCH

    def to_mm(self, value: Decimal | float) -> float:
        """`value` in this unit, as millimetres."""
        return float(Decimal(value) * self.mm)

    def from_mm(self, value_mm: float) -> float:
        """`value_mm` millimetres, in this unit."""
        return value_mm / _MM[self]

    def show(self, value_mm: float) -> str:
        """`value_mm` as a decimal string in this unit, without the unit; a zero never carries a minus sign."""
        text = _SHOWN[self] % self.from_mm(value_mm)
        return text[1:] if text[0] == "-" and not text.strip("-0.") else text


_MM = {unit: float(unit.mm) for unit in LengthUnit}
_SHOWN = {unit: f"%.{unit.decimals}f" for unit in LengthUnit}
"""Both worked out once: an answer shows hundreds of lengths."""

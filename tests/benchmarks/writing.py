"""From a value in the hand to what is written down: steps, digits, and the slips of the pen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise

import numpy as np

from service.domain.readings import Reading, Written
from service.domain.units import LengthUnit


def decimals_of(step: float, unit: LengthUnit) -> int:
    """Decimals that a tool of `step` mm is read to in `unit`: 0.0005 in to four, 0.001 in to three, 0.02 mm to two."""
    in_unit = Decimal(repr(step)) / unit.mm
    return max(0, -int(in_unit.normalize().as_tuple().exponent))


def write_lengths(
    sizes: Sequence[float], step: float, unit: LengthUnit, *, most: int | None = None, as_number: bool = False
) -> tuple[Written, ...]:
    """Sizes in mm, each read to the nearest `step` mm and written in `unit`, with no more than `most` decimals."""
    decimals = decimals_of(step, unit)
    if most is not None:
        decimals = min(decimals, most)
    texts = [f"{round(size / step) * step / float(unit.mm):.{decimals}f}" for size in sizes]
    return tuple(_as_written(text, as_number) for text in texts)


def write_angles(angles: Sequence[float], step: float, as_number: bool = False) -> tuple[Written, ...]:
    """Degrees to the nearest `step`."""
    decimals = 0 if step >= 1 else 1
    return tuple(_as_written(f"{round(angle / step) * step:.{decimals}f}", as_number) for angle in angles)


def _as_written(text: str, as_number: bool) -> Written:
    if text.startswith("-") and float(text) == 0:
        text = text[1:]
    return Written(Decimal(repr(float(text)))) if as_number else Written.parse(text)


def _replace_value(reading: Reading, at: int, value: Written) -> Reading:
    return replace(reading, values=(*reading.values[:at], value, *reading.values[at + 1 :]))


def swap_digits(reading: Reading, rng: np.random.Generator) -> Reading | None:
    """Two neighbouring digits of one value changed over; None where no two differ."""
    at = int(rng.integers(len(reading.values)))
    text = str(reading.values[at])
    places = [i for i, sign in enumerate(text) if sign.isdigit()]
    while len(places) > 1 and text[places[0]] == "0":
        places.pop(0)
    pairs = [(i, j) for i, j in pairwise(places) if text[i] != text[j]]
    if not pairs:
        return None
    i, j = pairs[int(rng.integers(len(pairs)))]
    digits = list(text)
    digits[i], digits[j] = digits[j], digits[i]
    return _replace_value(reading, at, _keeping_kind(reading.values[at], "".join(digits)))


def slip_decimal(reading: Reading, rng: np.random.Generator) -> Reading:
    """Every value of an entry ten times too large or too small, with the digits it had."""
    up = bool(rng.random() < 0.5)
    values = []
    for written in reading.values:
        value = written.value * 10 if up else written.value / 10
        if written.decimals is None:
            values.append(Written(value))
        else:
            decimals = max(0, written.decimals - 1 if up else written.decimals + 1)
            values.append(Written(value, decimals))
    return replace(reading, values=tuple(values))


def mishear_digit(reading: Reading, rng: np.random.Generator) -> Reading:
    """One digit of one value taken down as another."""
    at = int(rng.integers(len(reading.values)))
    text = str(reading.values[at])
    places = [i for i, sign in enumerate(text) if sign.isdigit()]
    while len(places) > 1 and text[places[0]] == "0":
        places.pop(0)
    i = places[int(rng.integers(len(places)))]
    digit = str((int(text[i]) + int(rng.integers(1, 10))) % 10)
    changed = text[:i] + digit + text[i + 1 :]
    return reading if float(changed) == 0 else _replace_value(reading, at, _keeping_kind(reading.values[at], changed))


def _keeping_kind(old: Written, text: str) -> Written:
    return Written(Decimal(text)) if old.decimals is None else Written.parse(text)

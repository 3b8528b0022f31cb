"""An answer beside the one that the same readings get now, in words."""

from __future__ import annotations

from service.domain.identification import Identification

SAME = 1e-9
"""Probabilities closer than this are one and the same; the readings are reckoned alike, save for a sum's last digit."""


def again_text(given: Identification, again: Identification) -> str:
    """Both answers' states and leading candidates, and whether they agree."""
    numbers = list(dict.fromkeys(one.part_number for answer in (given, again) for one in answer.candidates))
    lines = [f"{'':<28}{given.engine_version:>14}{again.engine_version:>14}"]
    lines.append(f"{'state':<28}{given.state.value:>14}{again.state.value:>14}")
    lines += [f"{number:<28}{_of(given, number):>14}{_of(again, number):>14}" for number in numbers]
    outside = given.not_in_catalogue_probability, again.not_in_catalogue_probability
    lines.append(f"{'not in the catalogue':<28}{outside[0]:>14.6f}{outside[1]:>14.6f}")
    furthest = max(
        abs(outside[0] - outside[1]),
        *(abs(_probability(given, number) - _probability(again, number)) for number in numbers),
        0.0,
    )
    same = given.state is again.state and furthest < SAME
    lines.append("the same" if same else f"not the same: probabilities differ by up to {furthest:.6f}")
    return "\n".join(lines)


def _probability(answer: Identification, number: str) -> float:
    return next((one.probability for one in answer.candidates if one.part_number == number), 0.0)


def _of(answer: Identification, number: str) -> str:
    listed = any(one.part_number == number for one in answer.candidates)
    return f"{_probability(answer, number):.6f}" if listed else "-"

"""A refit of the measuring model in words: old and new constants beside each other, and what the new are worth."""

from __future__ import annotations

import math

from service.domain.readings import Instrument
from service.identification.asking import TOOL_WORDS
from service.identification.calibration import Calibration
from service.identification.measuring import MeasuringModel

_FACTOR_WORDS = {
    "zero": "tools' zeros",
    "scatter": "the hand's scatter",
    "technique": "one-sided technique",
    "wear": "wear",
    "slips": "chance of a slip",
}
_TOOL_CONSTANTS = (
    ("zero, standard deviation", "zero_sd"),
    ("one reading's scatter", "scatter"),
    ("height reads small by", "height_small"),
    ("base circle reads large by", "base_large"),
)
_WEAR_CONSTANTS = (("of a nose", "nose_wear_mean"), ("of a journal", "journal_wear_mean"))
_TWO_SIDED = 1.959964
"""Standard errors to either side of a 95 % interval."""
_CLEARLY = 1.0
"""Standard errors that the new constants' score is to be better by."""


def calibration_text(found: Calibration, old_name: str, old: MeasuringModel, left_out: int) -> str:
    """The refit beside the constants in use, `old`, named `old_name`; `left_out` cases name a part no longer there."""
    lines = [f"{found.fitted} confirmed cases fitted, {found.held_out} held out"]
    if left_out:
        lines.append(f"{left_out} left out: the catalogue does not have their part any more")
    lines += ["", f"{'factor on the constants of the code':<38}{'estimate':>10}{'95 times in 100':>20}"]
    for one in found.factors:
        away = math.exp(_TWO_SIDED * one.log_sd)
        within = f"{one.factor / away:.2f} to {one.factor * away:.2f}"
        lines.append(f"  {_FACTOR_WORDS[one.name]:<36}{one.factor:>10.2f}{within:>20}")
    lines += ["", f"{'constant':<38}{'in use':>10}{'refitted':>10}", f"{'':<38}{old_name:>10}{'':>10}"]
    for instrument, tool in found.model.tools.items():
        before = old.tools[instrument]
        shown = [(words, getattr(before, name), getattr(tool, name)) for words, name in _TOOL_CONSTANTS]
        if instrument is Instrument.BENCH or not any(after for _, _, after in shown):
            continue
        unit = "degrees" if instrument in (Instrument.DEGREE_WHEEL, Instrument.PROTRACTOR) else "mm"
        lines.append(f"  {TOOL_WORDS[instrument]}, {unit}")
        lines += [_row(words, then, now, 4) for words, then, now in shown if now or then]
    lines.append("  mean wear, mm")
    lines += [_row(words, getattr(old, name), getattr(found.model, name), 4) for words, name in _WEAR_CONSTANTS]
    lines.append("  chance of a slip, %")
    lines += [
        _row(name.replace("_", " "), 100 * old.slip_priors.get(name, 0.0), 100 * chance, 2)
        for name, chance in found.model.slip_priors.items()
    ]
    better = "better" if found.gain > 0 else "worse"
    lines += [
        "",
        "log score on the cases held out, nats a case, less is better",
        f"  in use {found.score_before:.4f}, refitted {found.score_after:.4f}: {better} by {abs(found.gain):.4f}, "
        f"standard error {found.gain_sd:.4f}",
    ]
    if found.gain < _CLEARLY * found.gain_sd:
        lines.append("  that is not clearly better: there is no reason to change the constants in use")
    return "\n".join(lines)


def _row(words: str, then: float, now: float, places: int) -> str:
    return f"    {words:<34}{then:>10.{places}f}{now:>10.{places}f}"

"""What confirmed cases teach in words: old and new beside each other, and what the new is worth."""

from __future__ import annotations

import math

from service.domain.readings import Instrument
from service.identification.answer.asking import TOOL_WORDS
from service.identification.learning.calibration import Calibration, Gain
from service.identification.learning.demand import Confirmed
from service.identification.measuring.model import MeasuringModel

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
"""Standard errors that a new score is to be better by."""
_MOST_SHARES = 10


def calibration_text(
    found: Calibration, old_name: str, old: MeasuringModel, left_out: int, confirmed: Confirmed
) -> str:
    """What was learned beside what is in use, `old` and its shares, named `old_name`.

    `left_out` cases name a part that is no longer there; `confirmed` says how evenly cases get confirmed.
    """
    lines = [f"{found.fitted} confirmed cases fitted, {found.held_out} held out"]
    if left_out:
        lines.append(f"{left_out} left out: the catalogue does not have their part any more")
    if found.of_constants:
        lines += ["", *_constants(found, old_name, old)]
    if found.of_shares:
        lines += ["", *_shares(found, old_name), "", *_evenness(confirmed)]
    lines += ["", "log score on the cases held out, nats a case, less is better"]
    lines.append(f"  {'in use':<36}{found.score_before:>10.4f}")
    if found.of_constants:
        lines.append(_score("with the refitted constants", found.score_refitted, found.of_constants))
    if found.of_shares:
        words = "and the shares of those fitted" if found.of_constants else "with the shares of those fitted"
        lines.append(_score(words, found.score_after, found.of_shares))
    lines += _advice(found)
    return "\n".join(lines)


def _constants(found: Calibration, old_name: str, old: MeasuringModel) -> list[str]:
    lines = [f"{'factor on the constants of the code':<38}{'estimate':>10}{'95 times in 100':>20}"]
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
    return lines


def _shares(found: Calibration, old_name: str) -> list[str]:
    demand = found.demand
    lines = [f"{demand.confirmed} confirmed callers had a part of this catalogue"]
    if demand.says_nothing:
        return [
            *lines,
            "which parts they had does not differ from the catalogue's own shares, beyond chance: these stay",
        ]
    spreads = (
        f"{math.exp(demand.core_spread):.2f} from core to core, {math.exp(demand.part_spread):.2f} from part to part"
    )
    changed = [one for one in found.shares if abs(one.after - one.before) > 0][:_MOST_SHARES]
    lines += [
        f"their shares differ from the catalogue's by a factor of {spreads} (one standard deviation)",
        "",
        f"{'share of callers, %, most changed first':<38}{'in use':>10}{'learned':>10}{'confirmed':>12}",
        f"{'':<38}{old_name:>10}",
    ]
    lines += [f"{_row(one.part_number, 100 * one.before, 100 * one.after, 2)}{one.confirmed:>12}" for one in changed]
    return lines


def _evenness(confirmed: Confirmed) -> list[str]:
    """Whether the learned shares can be those of all callers, as far as the desk's own cases show it."""
    if not confirmed.cases:
        return ["no case was answered with one part, so how evenly parts get confirmed is not known"]
    lines = [f"of {confirmed.cases} cases answered with one part {confirmed.confirmed} are confirmed"]
    if confirmed.spread == 0:
        return [*lines, "how often does not differ from part to part beyond chance"]
    return [
        *lines,
        f"how often differs from part to part by a factor of {math.exp(confirmed.spread):.2f}, one standard deviation:",
        "parts that are confirmed more often than others have too large a share here, and the score does not show it",
    ]


def _score(words: str, score: float, gain: Gain) -> str:
    if gain.mean == 0:
        return f"  {words:<36}{score:>10.4f}  the same"
    better = "better" if gain.mean > 0 else "worse"
    return f"  {words:<36}{score:>10.4f}  {better} by {abs(gain.mean):.4f}, standard error {gain.sd:.4f}"


def _advice(found: Calibration) -> list[str]:
    """What to make of the scores: each change is to be better by more than its own error."""
    clear = {
        what: gain.mean > _CLEARLY * gain.sd
        for what, gain in (("constants", found.of_constants), ("shares", found.of_shares))
        if gain and not (what == "shares" and found.demand.says_nothing)
    }
    lines = [
        f"  the {what} are not clearly better: there is no reason to change those in use"
        for what in clear
        if not clear[what]
    ]
    if len(clear) == 2 and sum(clear.values()) == 1:
        best = next(what for what in clear if clear[what])
        lines.append(f"  with --only {best} the {best} alone are learned")
    return lines


def _row(words: str, then: float, now: float, places: int) -> str:
    return f"    {words:<34}{then:>10.{places}f}{now:>10.{places}f}"

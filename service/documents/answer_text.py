"""The answer as plain text, for a terminal or an e-mail: what it is, how sure, why, and what to do next."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping

from service.documents.words import UNITS, figure, in_full, percent, plain, printable, shortened, signed
from service.domain.cautions import CAUTIONS
from service.domain.identification import AnswerState, Candidate, Derived, Evidence, Identification
from service.domain.readings import Reading, Submission

WIDTH = 88
"""Columns of a terminal that nearly everybody has; e-mail programs do not break such lines either."""

_MOST_LISTED = 6
_LABEL = 47
_ANGLES = {"lobe_separation": "cam degrees", "overlap": "crank degrees"}
_PRIOR = "what was known before any reading"

_OPENINGS = {
    AnswerState.IDENTIFIED: "IDENTIFIED",
    AnswerState.AMBIGUOUS: "ONE OF SEVERAL",
    AnswerState.NOT_IN_CATALOGUE: "NOT IN THE CATALOGUE",
    AnswerState.MORE_READINGS_NEEDED: "CANNOT TELL YET",
}


def render_answer(
    submission: Submission,
    identification: Identification,
    catalogue_revision: int,
    part_titles: Mapping[str, str] | None = None,
) -> str:
    """The whole answer in lines of at most `WIDTH` characters; `part_titles` by part number where they are known."""
    titles = part_titles or {}
    sections = [
        _opening(identification, titles),
        _others(identification, titles),
        _evidence(submission, identification),
        _derived(submission, identification),
        _slips(identification),
        _next(identification),
        _advice(identification),
        _cautions(),
        [f"Catalogue revision {catalogue_revision}, engine {printable(identification.engine_version)}."],
    ]
    return "\n\n".join("\n".join(section) for section in sections if section) + "\n"


def _wrapped(text: str, indent: str = "", first: str | None = None) -> list[str]:
    start = indent if first is None else first
    return textwrap.wrap(printable(text), WIDTH, initial_indent=start, subsequent_indent=indent)


def _named(candidate: Candidate, titles: Mapping[str, str]) -> str:
    title = titles.get(candidate.part_number, "")
    return f"{candidate.part_number}, {title}" if title else candidate.part_number


def _opening(identification: Identification, titles: Mapping[str, str]) -> list[str]:
    opening = _OPENINGS[identification.state]
    if identification.state is AnswerState.IDENTIFIED and identification.candidates:
        best = identification.candidates[0]
        said = _wrapped(f"{opening}: {_named(best, titles)}", "  ", "")
        said += _wrapped(f"How sure: {percent(best.probability)}. Core {best.core}.")
        if best.same_as:
            said += _wrapped(f"The same grind is also numbered {', '.join(best.same_as)}.")
        if best.reground_probability > 0.5:
            said += _wrapped(f"It looks reground ({percent(best.reground_probability)}).")
        return said
    explained = {
        AnswerState.AMBIGUOUS: f"These readings do not tell the parts below apart. {_held_by_the_set(identification)}",
        AnswerState.NOT_IN_CATALOGUE: (
            "No part of the catalogue fits these readings. "
            f"How sure: {percent(identification.not_in_catalogue_probability)}."
        ),
    }
    usual = "These readings do not carry an answer yet; the next one below will help most."
    if identification.next_reading is None:
        usual = "These readings do not carry an answer yet."
    return [opening, *_wrapped(explained.get(identification.state, usual))]


def _held_by_the_set(identification: Identification) -> str:
    inside = [c.probability for c in identification.candidates if c.part_number in identification.credible_set]
    return f"The first {len(inside)} hold {percent(sum(inside))} between them." if len(inside) > 1 else ""


def _others(identification: Identification, titles: Mapping[str, str]) -> list[str]:
    named = identification.state is AnswerState.IDENTIFIED and bool(identification.candidates)
    listed = identification.candidates[1:_MOST_LISTED] if named else identification.candidates[:_MOST_LISTED]
    lines = ["What else it could be" if named else "What it could be"]
    for candidate in listed:
        same = f" (also {', '.join(candidate.same_as)})" if candidate.same_as else ""
        lines += _wrapped(_named(candidate, titles) + same, " " * 18, f"{percent(candidate.probability):>14}    ")
    lines.append(f"{percent(identification.not_in_catalogue_probability):>14}    none of the catalogue's parts")
    shown = identification.candidates[:_MOST_LISTED]
    rest = 1 - identification.not_in_catalogue_probability - sum(c.probability for c in shown)
    if rest > 0.0005:
        lines.append(f"{percent(rest):>14}    all other parts together")
    return lines


# why


def _evidence(submission: Submission, identification: Identification) -> list[str]:
    if not identification.candidates or not identification.candidates[0].evidence:
        return []
    best = identification.candidates[0]
    against = _runner_up(identification)
    lines = _wrapped(f"Why {best.part_number}, against {against}; lengths in {UNITS[submission.unit]}")
    lines.append(f"  {'':{_LABEL}}{'measured':>10}{'expected':>10}{'differs':>11}{'bits':>7}")
    for row in sorted(best.evidence, key=lambda row: row.pointer == "prior"):
        lines.append(_evidence_line(row, submission))
    total = sum(row.bits for row in best.evidence)
    lines.append(f"  {'together':{_LABEL + 31}}{_bits(total):>7}")
    lines += _wrapped("Each bit doubles the odds for it; a minus speaks against it.", "  ")
    return lines


def _runner_up(identification: Identification) -> str:
    """Whom the first candidate's evidence is weighed against: the likeliest other answer."""
    others = identification.candidates[1:2]
    if others and others[0].probability >= identification.not_in_catalogue_probability:
        return others[0].part_number
    return "none of the catalogue's parts"


def _evidence_line(row: Evidence, submission: Submission) -> str:
    reading = _reading_at(row.pointer, submission)
    label = shortened(printable(_subject_of(row.pointer, reading, submission)), _LABEL - 1)
    measured = "" if row.measured is None else figure(row.measured, reading, submission.unit)
    if row.expected is None or row.difference is None:
        expected, differs = ("" if row.measured is None else "not stated"), ""
    else:
        expected = figure(row.expected, reading, submission.unit)
        differs = signed(row.difference, figure(abs(row.difference), reading, submission.unit), "-")
    return f"  {label:{_LABEL}}{measured:>10}{expected:>10}{differs:>11}{_bits(row.bits):>7}"


def _reading_at(pointer: str, submission: Submission) -> Reading | None:
    kind, _, index = pointer.lstrip("/").partition("/")
    return submission.readings[int(index)] if kind == "readings" else None


def _subject_of(pointer: str, reading: Reading | None, submission: Submission) -> str:
    if reading is not None:
        return in_full(reading, submission)
    if pointer == "/lift_tables":
        return "lift tables from the bench"
    if pointer == "/valve_events":
        return "valve events"
    if pointer == "/engine_family":
        return f"engine family claimed: {submission.engine_family}"
    return _PRIOR if pointer == "prior" else plain(pointer.rpartition("/")[2])


def _bits(value: float) -> str:
    return signed(value, f"{abs(value):.1f}", "-")


# what follows


def _derived(submission: Submission, identification: Identification) -> list[str]:
    if not identification.derived:
        return []
    lines = ["Worked out from the readings"]
    for found in identification.derived:
        lines += _wrapped(_derived_words(found, submission), "    ", "  ")
    if identification.suspected_slips:
        lines += _wrapped("They are worked out from the readings as written, the slip in them included.", "  ", "  ")
    return lines


def _derived_words(found: Derived, submission: Submission) -> str:
    def shown(value: float) -> str:
        return submission.unit.show(value) if found.is_length else f"{value:.1f}"

    unit = submission.unit.value if found.is_length else _ANGLES.get(found.quantity, "degrees")
    low, high = found.interval
    name = plain(found.quantity) if found.lobe is None else f"{found.lobe.value} {plain(found.quantity)}"
    cylinder = f", cylinder {found.cylinder}" if found.cylinder else ""
    if not found.can_be:
        why = "the height is no larger than the base circle. One of the two is not what it is called."
        return f"{name.capitalize()}{cylinder}: none, since {why}"
    return (
        f"{name.capitalize()}{cylinder}: {shown(found.value)} {unit} as read. Corrected for known errors "
        f"{shown(found.corrected)}, standard uncertainty {shown(found.standard_uncertainty)}; "
        f"95 times in 100 the truth is from {shown(low)} to {shown(high)}."
    )


def _slips(identification: Identification) -> list[str]:
    if not identification.suspected_slips:
        return []
    lines = ["Please check: this may be a slip"]
    for slip in identification.suspected_slips:
        lines += _wrapped(f"{slip.message} Probability {percent(slip.probability)}.", "    ", "  ")
    return lines


def _next(identification: Identification) -> list[str]:
    asked = identification.next_reading
    if asked is None:
        return []
    return [
        "Ask next",
        *_wrapped(f"{asked.message} It is expected to tell {asked.expected_bits:.1f} bits.", "  "),
    ]


def _advice(identification: Identification) -> list[str]:
    if not identification.advice:
        return []
    lines = ["Good to know"]
    for advice in identification.advice:
        lines += _wrapped(advice.message, "    ", "  ")
    return lines


def _cautions() -> list[str]:
    lines = ["Before anybody relies on this"]
    for caution in CAUTIONS:
        lines += _wrapped(caution, "    ", "  - ")
    return lines

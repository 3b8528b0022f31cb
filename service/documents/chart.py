"""The chart of a submission: each reading with its uncertainty against what the leading candidates are made to.

Every reading is a row. The bar down its middle is the measured size with its 95 % whisker, and each candidate has a
lane of its own in which a mark shows the size it is expected to have: inside the whisker it fits, outside it does
not. All rows share one scale, the standard deviation of such a reading of the right part (tool, hand, making and
wear together), so that a journal and a lobe can be judged by eye alike; the sizes themselves stand beside the marks.
"""

from __future__ import annotations

from service.documents.chart_rows import NINETY_FIVE, Lane, Row, RowGroup, grouped_rows, leading
from service.documents.svg import BAND, FAINT, GREY, RULE, Drawing
from service.documents.words import STATES, UNITS, percent, shortened
from service.domain.identification import Candidate, Identification
from service.domain.readings import Submission

_WIDTH = 360.0
"""Narrow on purpose: on a telephone 320 px wide the smallest letters are still over 10 px tall."""
_LEFT, _RIGHT = 30.0, 262.0  # the plot's edges
_MIDDLE = (_LEFT + _RIGHT) / 2
_EDGE = 12.0  # of the paper
_REACH = 5.5  # standard deviations from the middle to the plot's edge
_PER_SD = (_RIGHT - _LEFT) / 2 / _REACH
_LANE = 15.0
_LETTERS = "ABCD"


def draw_chart(submission: Submission, identification: Identification) -> str:
    """SVG text of the chart; it stands alone, and says in `desc` all that it shows."""
    candidates = leading(identification)
    groups = grouped_rows(submission, identification)
    compared = any(candidate.evidence for candidate in candidates)
    drawing = Drawing(_WIDTH, "Readings against the leading candidates")
    y = _heading(drawing, submission, identification, candidates, compared)
    for group in groups:
        y = _group(drawing, y, group, compared)
    y = _foot(drawing, y, groups, compared)
    return drawing.finish(y, _description(submission, identification, candidates, groups, compared))


def _heading(
    drawing: Drawing,
    submission: Submission,
    identification: Identification,
    candidates: tuple[Candidate, ...],
    compared: bool,
) -> float:
    drawing.text(_EDGE, 24, "Readings against the leading candidates", size=14, bold=True)
    drawing.text(_EDGE, 42, f"{STATES[identification.state]}. Lengths in {UNITS[submission.unit]}.", fill=GREY)
    y = 62.0
    for n, candidate in enumerate(candidates):
        drawing.mark(_EDGE + 6, y - 4.5, n)
        name = shortened(candidate.part_number, 24)
        drawing.text(_EDGE + 18, y, f"{_LETTERS[n]}  {name}", bold=n == 0)
        drawing.text(_WIDTH - _EDGE, y, percent(candidate.probability), anchor="end", bold=n == 0)
        y += 18
    drawing.text(_EDGE + 18, y, "None of the catalogue's parts", fill=GREY)
    drawing.text(_WIDTH - _EDGE, y, percent(identification.not_in_catalogue_probability), anchor="end", fill=GREY)
    y += 8
    if not compared:
        y += 16
        message = "No part is near enough to compare with." if not candidates else "There is no evidence to compare."
        drawing.text(_EDGE, y, message, bold=True)
        y += 4
    return y


def _group(drawing: Drawing, y: float, group: RowGroup, compared: bool) -> float:
    y += 6
    drawing.line(_EDGE, y, _WIDTH - _EDGE, y, stroke=RULE)
    y += 18
    drawing.text(_EDGE, y, shortened(group.heading, 40), size=14, bold=True)
    y += 4
    for row in group.rows:
        y = _row(drawing, y, row, compared)
    return y


def _row(drawing: Drawing, y: float, row: Row, compared: bool) -> float:
    y += 16
    drawing.text(_EDGE, y, shortened(row.label, 24))
    drawing.text(_WIDTH - _EDGE, y, row.measured, anchor="end", bold=True)
    drawing.text(_RIGHT, y, row.verb, size=12, anchor="end", fill=GREY)
    if row.taken:
        y += 14
        drawing.text(_EDGE, y, shortened(row.taken, 40), size=12, fill=GREY)
    if row.whisker:
        drawing.text(_WIDTH - _EDGE, y, f"± {row.whisker}", size=12, anchor="end", fill=GREY)
    y += 5
    if not compared:
        return y + 4
    if all(lane.place is None for lane in row.lanes):
        drawing.text(_EDGE, y + 11, _in_one_line(row), size=12)
        return y + 18
    _whisker(drawing, y, row.lanes)
    for lane in row.lanes:
        _lane(drawing, y + _LANE / 2, lane)
        y += _LANE
    return y + 5


def _in_one_line(row: Row) -> str:
    """The lanes of a row that has no scale, such as a count."""
    if all(lane.expected is None for lane in row.lanes):
        return "no candidate states this"
    return "expected: " + ", ".join(f"{_LETTERS[lane.candidate]} {lane.expected or '–'}" for lane in row.lanes)


def _whisker(drawing: Drawing, top: float, lanes: tuple[Lane, ...]) -> None:
    """The measured size down the middle of a row, its 95 % whisker, and the lanes the marks will stand in."""
    bottom = top + len(lanes) * _LANE
    half = NINETY_FIVE * _PER_SD
    drawing.box(_MIDDLE - half, top, 2 * half, bottom - top, fill=BAND)
    for deviations in (-4, 4):
        x = _MIDDLE + deviations * _PER_SD
        drawing.line(x, top, x, bottom, stroke=FAINT)
    for n, lane in enumerate(lanes):
        if lane.place is not None:
            y = top + (n + 0.5) * _LANE
            drawing.line(_LEFT, y, _RIGHT, y, stroke=FAINT)
    for x in (_MIDDLE - half, _MIDDLE + half):
        drawing.line(x, top, x, bottom, stroke=RULE)
    drawing.line(_MIDDLE, top, _MIDDLE, bottom, width=1.6)


def _lane(drawing: Drawing, y: float, lane: Lane) -> None:
    drawing.text(_EDGE, y + 4, _LETTERS[lane.candidate], size=12, fill=GREY)
    if lane.place is None:
        if lane.expected is None:
            drawing.text(_WIDTH - _EDGE, y + 4, "not stated", size=12, anchor="end", fill=GREY)
        else:
            drawing.text(_WIDTH - _EDGE, y + 4, lane.expected, size=12, anchor="end")
        return
    if abs(lane.place) < _REACH:
        drawing.mark(_MIDDLE + lane.place * _PER_SD, y, lane.candidate)
    else:
        side = 1 if lane.place > 0 else -1
        edge = _RIGHT if side > 0 else _LEFT
        drawing.mark(edge - 12 * side, y, lane.candidate)
        drawing.arrow(edge, y, side)
    expected = lane.expected or ""
    shown = f"{expected} *" if lane.read_as else expected
    drawing.text(_WIDTH - _EDGE, y + 4, shown, size=12, anchor="end", bold=lane.fits)


def _foot(drawing: Drawing, y: float, groups: tuple[RowGroup, ...], compared: bool) -> float:
    y += 6
    drawing.line(_EDGE, y, _WIDTH - _EDGE, y, stroke=RULE)
    lines: tuple[str, ...] = (
        "Upright line: as measured. Grey: where 95 of 100",
        "such readings of the right part fall; a mark in",
        "the grey fits. Marks and figures beside them: what",
        "each candidate is made to; larger to the right.",
        "Arrow: further off than drawn.",
    )
    if any(lane.read_as for group in groups for row in group.rows for lane in row.lanes):
        lines += ("* with the reading taken for another figure.",)
    for line in lines if compared else ():
        y += 16
        drawing.text(_EDGE, y, line, size=12, fill=GREY)
    return y + 14


def _description(
    submission: Submission,
    identification: Identification,
    candidates: tuple[Candidate, ...],
    groups: tuple[RowGroup, ...],
    compared: bool,
) -> str:
    """The whole chart in sentences, for a screen reader."""
    said = [f"{STATES[identification.state]}. Lengths in {UNITS[submission.unit]}."]
    said += [f"Candidate {_LETTERS[n]}: {c.part_number}, {percent(c.probability)}." for n, c in enumerate(candidates)]
    said.append(f"None of the catalogue's parts: {percent(identification.not_in_catalogue_probability)}.")
    if not compared:
        said.append("There is no evidence to compare the readings with.")
    for group in groups:
        said.append(f"{group.heading}.")
        for row in group.rows:
            whisker = f", plus or minus {row.whisker}" if row.whisker else ""
            lanes = "".join(f" {_lane_in_words(lane)}" for lane in row.lanes) if compared else ""
            how = f", {row.taken}" if row.taken else ""
            said.append(f"{row.label}{how}: {row.verb} {row.measured}{whisker}.{lanes}")
    return " ".join(said)


def _lane_in_words(lane: Lane) -> str:
    letter = _LETTERS[lane.candidate]
    if lane.expected is None:
        return f"{letter} states nothing."
    if lane.place is None:
        return f"{letter} expects {lane.expected}."
    read_as = f" (read as {lane.read_as})" if lane.read_as else ""
    verdict = "fits" if lane.fits else "does not fit"
    return f"{letter} expects {lane.expected}{read_as}, measured less expected {lane.difference}, {verdict}."

"""Two papers to print and cut out, at true size: a right-angle card for the flank width, and a paper protractor.

A printer that fits a page to its margins makes both wrong without a word, so each carries bars of known length, across
and down the sheet, to be measured before it is used. Everything lies where A4 (ISO 216) and US letter sheets overlap.
"""

from __future__ import annotations

import math
from datetime import date

from fpdf.prefs import ViewerPreferences

from service.documents.paper import Paper
from service.domain.units import LengthUnit

BAR_MM = 100.0
BAR_IN = 4.0
BAR_MAY_DIFFER_MM = 0.5
"""What a printer's own play comes to; more says that the sheet was scaled (common practice, no source)."""

CARD_MM = 110.0
"""Length of the card's edges."""

CARD_CORNER = (40.0, 88.0)
RADIUS_MM = 76.0
"""Of the protractor's outermost ticks."""

CENTRE = (105.0, 150.0)
HOLES_MM = (12, 15, 18, 21, 24, 27, 30, 35, 40, 45, 50, 55)
"""Diameters of the circles to cut, for a journal to go through."""

_LEADERS_END_MM = 31.0
"""From the centre: where the lines from the circles to their diameters end, outside the largest of them."""
_OF_HOLES = "circles: diameter in mm"

_LEFT, _WIDTH = 16.0, 178.0
_BARS_Y = 236.0
_VERTICAL_X = 192.0
_SLIT_DEG = 180
_MADE_ON = date(2000, 1, 1)
"""The papers never change, and neither may their bytes."""


def measuring_papers() -> bytes:
    """Both papers as one PDF of two A4 pages."""
    paper = Paper("Right-angle card and paper protractor", "lobedesk", _MADE_ON)
    paper.viewer_preferences = ViewerPreferences(print_scaling="None")
    paper.set_margins(_LEFT, 14, 210 - _LEFT - _WIDTH)
    paper.set_auto_page_break(auto=False)
    _card(paper)
    _protractor(paper)
    return paper.finished()


def _begin(paper: Paper, title: str, *lines: str) -> None:
    paper.add_page()
    paper.ink(18, bold=True)
    paper.words(title, width=_WIDTH, height=9, after=1)
    paper.ink(10)
    for line in lines:
        paper.words(line, width=_WIDTH - 10, height=5, after=1)
    _bars(paper)


def _bars(paper: Paper) -> None:
    """What the print is checked with: 100 mm across and down, 4 in across."""
    paper.set_line_width(0.3)
    _bar(paper, _LEFT, _BARS_Y, BAR_MM, "100 mm")
    _bar(paper, _LEFT, _BARS_Y + 13, LengthUnit.INCH.to_mm(BAR_IN), "4 in")
    top = _BARS_Y + 13 - BAR_MM
    paper.line(_VERTICAL_X, top, _VERTICAL_X, top + BAR_MM)
    for y in (top, top + BAR_MM):
        paper.line(_VERTICAL_X - 3, y, _VERTICAL_X, y)
    paper.ink(8)
    with paper.rotation(90, _VERTICAL_X - 2, top + BAR_MM / 2 + 8):
        paper.text(_VERTICAL_X - 2, top + BAR_MM / 2 + 8, "100 mm")
    paper.ink(9, bold=True)
    paper.set_xy(126, _BARS_Y - 4)
    paper.multi_cell(60, 4.5, "Check the print: measure all three bars.", align="L", new_x="LEFT", new_y="NEXT")
    paper.ink(8)
    paper.multi_cell(
        60,
        4,
        f"Where one is out by more than {BAR_MAY_DIFFER_MM} mm, print again at 100 %, “actual size”, not fitted.",
        align="L",
    )


def _bar(paper: Paper, x: float, y: float, length_mm: float, words: str) -> None:
    paper.line(x, y, x + length_mm, y)
    for end in (x, x + length_mm):
        paper.line(end, y - 3, end, y)
    paper.ink(8)
    paper.text(x + 4, y - 1.5, words)


def _card(paper: Paper) -> None:
    _begin(
        paper,
        "Right-angle card",
        "Glue it to stiff card and cut along the two heavy edges. Hold the corner over the middle of the shaft, the "
        "dashed line through the lobe's nose: the two edges now lie 45 degrees to either side of it.",
        "Lay the caliper's jaws along one edge and read the width across the lobe; then along the other. Each twice.",
        "Shaft out and clean, or engine cold and standing still with the spark lead off. Edges of lobes are sharp.",
    )
    x, y = CARD_CORNER
    paper.set_line_width(0.6)
    paper.line(x, y, x + CARD_MM, y)
    paper.line(x, y, x, y + CARD_MM)
    paper.set_line_width(0.2)
    for at in range(1, int(CARD_MM)):
        tick = 5.0 if at % 10 == 0 else 3.5 if at % 5 == 0 else 2.0
        paper.line(x + at, y, x + at, y + tick)
        paper.line(x, y + at, x + tick, y + at)
    paper.ink(7)
    for at in range(10, int(CARD_MM), 10):
        paper.text(x + at - 1.6, y + 8.6, f"{at}")
        paper.text(x + 6, y + at + 0.9, f"{at}")
    paper.set_line_width(0.3)
    reach = 88.0
    paper.set_dash_pattern(dash=2.5, gap=1.5)
    paper.line(x, y, x + reach, y + reach)
    paper.set_dash_pattern()
    paper.ink(10, bold=True)
    with paper.rotation(-45, x + 47, y + 44):
        paper.text(x + 47, y + 44, "the nose lies on this line")
    paper.ink(8)
    paper.text(x + 46, y + 14, "jaws along this edge, then along the other")
    paper.text(x + 5, y - 2, "corner: the middle of the shaft; edges in millimetres")


def _protractor(paper: Paper) -> None:
    _begin(
        paper,
        "Paper protractor",
        "Cut out the disc, the slit at 180, and the circle a little smaller than the journal; slip it on, tape the "
        "slit, and set a bent wire as a pointer. Read to half a degree; nothing is read on a turning engine.",
        "These are degrees of the cam. The crank turns twice as far: one degree here is two of the crank.",
    )
    x, y = CENTRE
    paper.set_line_width(0.2)
    for diameter in HOLES_MM:
        paper.set_dash_pattern(dash=1.2, gap=0.8)
        paper.circle(x, y, diameter / 2)
        paper.set_dash_pattern()
    paper.line(x - 3, y, x + 3, y)
    paper.line(x, y - 3, x, y + 3)
    paper.set_line_width(0.15)
    paper.ink(7)
    for place, diameter in enumerate(HOLES_MM):
        # half way between two tens of degrees, which leaves nose, flanks and slit free
        degree = 15 + 360 / len(HOLES_MM) * place
        paper.line(*_at(degree, diameter / 2), *_at(degree, _LEADERS_END_MM))
        paper.set_fill_color(0)
        paper.circle(*_at(degree, diameter / 2), 0.35, style="F")
        px, py = _at(degree, _LEADERS_END_MM + 3)
        paper.text(px - paper.get_string_width(f"{diameter}") / 2, py + 0.9, f"{diameter}")
    px, py = _at(0, _LEADERS_END_MM + 7)
    paper.text(px - paper.get_string_width(_OF_HOLES) / 2, py, _OF_HOLES)
    for degree in range(360):
        length = 9.0 if degree % 10 == 0 else 6.0 if degree % 5 == 0 else 4.0
        paper.set_line_width(0.25 if degree % 10 == 0 else 0.15)
        paper.line(*_at(degree, RADIUS_MM), *_at(degree, RADIUS_MM - length))
    paper.ink(7)
    for degree in range(0, 360, 10):
        px, py = _at(degree + (2.2 if degree == _SLIT_DEG else 0), RADIUS_MM - 12)
        words = f"{degree}"
        with paper.rotation(-degree, px, py):
            paper.text(px - paper.get_string_width(words) / 2, py + 1, words)
    paper.set_line_width(0.3)
    paper.circle(x, y, RADIUS_MM)
    paper.set_dash_pattern(dash=2.5, gap=1.5)
    paper.line(*_at(_SLIT_DEG, RADIUS_MM), *_at(_SLIT_DEG, HOLES_MM[0] / 2))
    paper.set_dash_pattern()
    paper.ink(7, bold=True)
    for degree in (45, 315):
        px, py = _at(degree, RADIUS_MM - 20)
        with paper.rotation(-degree, px, py):
            paper.text(px - 4, py, "flank")
    px, py = _at(0, RADIUS_MM - 20)
    paper.text(px - 4, py, "nose")


def _at(degree: float, radius_mm: float) -> tuple[float, float]:
    """A place on the protractor, clockwise from the top."""
    angle = math.radians(degree)
    return CENTRE[0] + radius_mm * math.sin(angle), CENTRE[1] - radius_mm * math.cos(angle)

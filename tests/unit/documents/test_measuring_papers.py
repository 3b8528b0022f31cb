"""The papers to print: true to size, by the PDF's own geometry and by the page as a second library draws it."""

from __future__ import annotations

import io
import itertools
import math
from dataclasses import dataclass

import numpy as np
import pypdf
import pypdfium2
import pytest
from pypdf.generic import ContentStream

from service.documents.measuring_papers import CARD_MM, HOLES_MM, RADIUS_MM, measuring_papers
from service.domain.arrays import Floats

MM = 72 / 25.4
"""PDF's unit is 1/72 in (ISO 32000-1, 8.3.2.3); an inch is 25.4 mm (ISO 80000-3)."""

TWIP_MM = 0.01
"""Coordinates are written to a hundredth of a point."""


@dataclass(frozen=True)
class Page:
    """What is drawn on one page, in mm: straight strokes as ((x, y), (x, y)), and boxes round curves."""

    strokes: tuple[tuple[tuple[float, float], tuple[float, float]], ...]
    rounds: tuple[tuple[float, float], ...]


@pytest.fixture(scope="module")
def pdf() -> bytes:
    return measuring_papers()


def read(pdf: bytes, number: int) -> Page:
    """Strokes and curves of a page; nothing on it that is a stroke stands under a changed coordinate system."""
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    strokes, rounds = [], []
    points: list[tuple[float, float]] = []
    curved = False
    depth = turned = 0
    for operands, operator in ContentStream(reader.pages[number].get_contents(), reader).operations:
        values = [float(each) for each in operands if isinstance(each, (int, float))]
        if operator in (b"q", b"Q"):
            depth += 1 if operator == b"q" else -1
            turned = turned if depth >= turned else 0
        elif operator == b"cm":
            turned = depth
        elif operator == b"m":
            points, curved = [(values[0], values[1])], False
        elif operator in (b"l", b"c"):
            points.append((values[-2], values[-1]))
            curved = curved or operator == b"c"
        elif operator in (b"S", b"s", b"B", b"b") and points:
            assert not turned, "a stroke under a changed coordinate system"
            mm = [(x / MM, y / MM) for x, y in points]
            if curved:
                across = np.ptp(np.array(mm), axis=0)
                rounds.append((float(across[0]), float(across[1])))
            else:
                strokes += list(itertools.pairwise(mm))
            points = []
    return Page(tuple(strokes), tuple(rounds))


def lengths(page: Page, direction: int) -> Floats:
    """Lengths of strokes along x (0) or y (1) alone."""
    ends = np.array(page.strokes)
    along, across = np.abs(ends[:, 0] - ends[:, 1]).T[:: 1 if direction == 0 else -1]
    return np.asarray(along[across < TWIP_MM])


def holds(values: Floats, wanted: float) -> bool:
    return bool(np.any(np.abs(values - wanted) < TWIP_MM))


@pytest.mark.parametrize("number", [0, 1])
def test_each_sheet_is_a4_asks_not_to_be_scaled_and_has_bars_to_check_the_print_by(pdf: bytes, number: int) -> None:
    reader = pypdf.PdfReader(io.BytesIO(pdf))
    box = reader.pages[number].mediabox
    assert (box.width / MM, box.height / MM) == (pytest.approx(210, abs=0.01), pytest.approx(297, abs=0.01))  # ISO 216
    assert reader.pages[number].get("/UserUnit", 1) == 1
    assert reader.viewer_preferences is not None
    assert reader.viewer_preferences.print_scaling == "/None"  # ISO 32000-1, table 150

    page = read(pdf, number)
    assert holds(lengths(page, 0), 100.0)
    assert holds(lengths(page, 1), 100.0)
    assert holds(lengths(page, 0), 4 * 25.4)
    words = reader.pages[number].extract_text()
    assert words.count("100 mm") == 2
    assert "4 in" in words
    corners = np.array(page.strokes).reshape(-1, 2)
    assert corners[:, 0].min() >= 10
    assert corners[:, 0].max() <= 200
    assert (
        corners[:, 1].min() >= 297 - 279.4 + 10
    )  # lies on a US letter sheet (279.4 mm tall) hung from the same top edge


def test_the_card_has_a_right_angle_and_its_middle(pdf: bytes) -> None:
    strokes = np.array(read(pdf, 0).strokes)
    vectors = strokes[:, 1] - strokes[:, 0]
    size = np.hypot(*vectors.T)
    first, second = vectors[np.abs(size - CARD_MM) < TWIP_MM]
    assert float(first @ second) == pytest.approx(0, abs=0.02)
    (middle,) = vectors[np.abs(np.abs(vectors[:, 0]) - np.abs(vectors[:, 1])) < TWIP_MM]
    for edge in (first, second):
        cosine = abs(float(edge @ middle)) / (float(np.hypot(*edge)) * float(np.hypot(*middle)))
        assert math.degrees(math.acos(cosine)) == pytest.approx(45, abs=0.02)


def test_the_protractor_has_every_degree_in_its_place_and_its_holes_their_size(pdf: bytes) -> None:
    page = read(pdf, 1)
    strokes = np.array(page.strokes)
    crossing = [(a, b) for a, b in strokes if math.isclose(float(np.hypot(*(a - b))), 6.0, abs_tol=TWIP_MM)]
    cross = next(a + b for a, b in crossing if abs(a[1] - b[1]) < TWIP_MM) / 2
    outer = strokes[:, 0] - cross
    inner = strokes[:, 1] - cross
    ticks = np.abs(np.hypot(*outer.T) - RADIUS_MM) < TWIP_MM
    outer, inner = outer[ticks], inner[ticks]
    length = np.hypot(*(outer - inner).T)
    is_tick = length < 10
    outer, inner = outer[is_tick], inner[is_tick]
    at = np.degrees(np.arctan2(outer[:, 0], outer[:, 1])) % 360
    assert np.sort(np.round(at, 1)) == pytest.approx(np.arange(360.0), abs=0.06)
    assert (
        np.abs(outer[:, 0] * inner[:, 1] - outer[:, 1] * inner[:, 0]).max() / RADIUS_MM < 0.02
    )  # each points at the middle

    drawn = sorted(across for across, _ in page.rounds)
    assert drawn == pytest.approx([*map(float, HOLES_MM), 2 * RADIUS_MM], abs=0.02)
    assert all(across == pytest.approx(down, abs=0.02) for across, down in page.rounds)


def test_another_library_draws_the_bar_as_long_as_it_says(pdf: bytes) -> None:
    """At 600 dots to the inch 100 mm are 2362 dots."""
    page = pypdfium2.PdfDocument(pdf)[0]
    dots = np.asarray(page.render(scale=600 / 72, grayscale=True).to_numpy()).squeeze() < 128
    runs = []
    for row in dots[int(230 / 25.4 * 600) : int(240 / 25.4 * 600)]:
        edges = np.flatnonzero(np.diff(np.concatenate(([0], row.astype(int), [0]))))
        runs += list(edges[1::2] - edges[::2])
    assert max(runs) * 25.4 / 600 == pytest.approx(100.3, abs=0.15)  # and the width of the line that ends it

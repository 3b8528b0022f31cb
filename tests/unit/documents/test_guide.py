"""The measuring guide: whole, and drawn from a lobe on which the jaws do stand where they are drawn."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from shapely.geometry import Polygon

from service.documents.guide import guide
from service.documents.guide_drawings import CHECKING_LIFT_MM, OFF_THE_NOSE_DEG, ON_THE_FLANK_DEG
from service.documents.guide_geometry import BASE_RADIUS_MM, LIFT_MM, half_duration_deg, jaws, lift_mm, outline
from service.documents.guide_picture import HEIGHT, WIDTH
from service.domain.readings import Feature

DRAWINGS = [(entry.feature, n, drawing) for entry in guide() for n, drawing in enumerate(entry.drawings)]


def test_every_reading_there_is_can_be_looked_up() -> None:
    assert {entry.feature for entry in guide()} == {*(feature.value for feature in Feature), "gear_teeth"}
    for entry in guide():
        assert entry.steps
        assert entry.mistakes
        assert entry.drawings


@pytest.mark.parametrize("at_deg", [-62, -45, 0, 10, 24, 45, 62, 90])
def test_jaws_span_the_outline_they_are_drawn_on(at_deg: float) -> None:
    """The width between parallel jaws is the outline's Feret diameter: here by projecting the drawn polygon."""
    polygon = Polygon(outline(0.25))
    assert polygon.is_valid
    corners = np.array(polygon.exterior.coords)
    along = corners @ np.array([np.cos(np.radians(at_deg)), np.sin(np.radians(at_deg))])

    assert jaws(at_deg).width_mm == pytest.approx(along.max() - along.min(), abs=2e-4)


def test_height_and_base_circle_are_the_largest_and_the_smallest_width() -> None:
    widths = [jaws(at).width_mm for at in np.arange(-90, 90.5, 0.5)]

    assert max(widths) == pytest.approx(2 * BASE_RADIUS_MM + LIFT_MM)
    assert min(widths) == pytest.approx(2 * BASE_RADIUS_MM)


def test_what_the_drawings_say_of_a_mistake_is_what_it_does_on_that_lobe() -> None:
    said = {feature: drawing.description for feature, _, drawing in DRAWINGS if not drawing.right}

    small = 2 * BASE_RADIUS_MM + LIFT_MM - jaws(OFF_THE_NOSE_DEG).width_mm
    large = jaws(ON_THE_FLANK_DEG).width_mm - 2 * BASE_RADIUS_MM
    assert float(re.findall(r"[\d.]+(?= mm)", said["lobe_height"])[0]) == pytest.approx(small, abs=0.051)
    assert float(re.findall(r"[\d.]+(?= mm)", said["base_circle"])[0]) == pytest.approx(large, abs=0.051)
    assert "small" in said["lobe_height"]
    assert "large" in said["base_circle"]


def test_the_heavy_arc_of_the_duration_ends_where_the_lift_is_the_checking_lift() -> None:
    assert lift_mm(np.radians(half_duration_deg(CHECKING_LIFT_MM))) == pytest.approx(CHECKING_LIFT_MM)


@pytest.mark.parametrize(("feature", "n", "drawing"), DRAWINGS, ids=[f"{feature}-{n}" for feature, n, _ in DRAWINGS])
def test_a_drawing_has_no_words_of_its_own_no_script_no_style_and_stays_on_its_paper(
    feature: str, n: int, drawing: object
) -> None:
    root = ET.fromstring(drawing.svg)  # type: ignore[attr-defined]
    assert {each.tag.rpartition("}")[2] for each in root.iter()} <= {"svg", "path", "circle"}
    assert all("style" not in each.attrib for each in root.iter())
    assert root.attrib["aria-label"] == drawing.description  # type: ignore[attr-defined]
    for each in root.iter():
        for x, y in re.findall(r"[ML](-?[\d.]+) (-?[\d.]+)", each.get("d", "")):
            assert -2 <= float(x) <= WIDTH + 2
            assert -2 <= float(y) <= HEIGHT + 2

"""The chart: what it shows, that it says the same in words, and that nothing sent can break it."""

import dataclasses
import re
from xml.etree import ElementTree as ET

import pytest

from service.documents.chart import draw_chart
from service.documents.chart_rows import MOST_CANDIDATES, grouped_rows
from service.domain.identification import AnswerState
from service.domain.readings import Instrument, LobeKind, Position
from service.domain.units import LengthUnit
from tests.submissions import base, height, journal, reading, submission
from tests.unit.documents.answers import SPREAD, candidate, identification, made_up_evidence, typical

SVG = "{http://www.w3.org/2000/svg}"


def parsed(svg):
    return ET.fromstring(svg)


def words(svg):
    return [element.text for element in parsed(svg).iter(f"{SVG}text")]


def description(svg):
    return parsed(svg).find(f"{SVG}desc").text


def shapes(svg):
    root = parsed(svg)
    return {tag: len(root.findall(f".//{SVG}{tag}")) for tag in ("circle", "polygon", "path")}


def test_every_reading_is_shown_with_what_each_candidate_is_made_to():
    shown = words(draw_chart(*typical()))
    for expected in ("WREN 7-31", "WREN 7-30"):
        assert any(expected in text for text in shown)
    for figure in ("1.1725", "1.1740", "1.1620", "0.8605", "0.8610", "1.1690", "1.1700", "1.1500", "231.0°", "231.1°"):
        assert figure in shown
    assert "expected: A 28, B 28" in shown
    assert "98.1 %" in shown


def test_readings_stand_by_journal_lobe_and_the_rest_in_the_order_of_the_shaft():
    headings = [group.heading for group in grouped_rows(*typical())]
    assert headings == ["Journals", "Intake lobe", "Exhaust lobe", "Counted"]
    intake = grouped_rows(*typical())[1]
    assert [row.label for row in intake.rows] == ["Lobe height", "Base circle", "Duration at 0.050"]


def test_a_mark_stands_where_its_size_lies_in_standard_deviations():
    lobe = grouped_rows(*typical())[1].rows[0]
    first, second = lobe.lanes
    assert first.place == pytest.approx((1.1740 - 1.1725) * 25.4 / SPREAD)
    assert second.place == pytest.approx((1.1620 - 1.1725) * 25.4 / SPREAD)
    assert (first.fits, second.fits) == (True, False)
    assert (first.difference, second.difference) == ("−0.0015", "+0.0105")


def test_the_drawing_stands_alone():
    svg = draw_chart(*typical())
    for forbidden in (
        "<script",
        "<style",
        "<image",
        "<foreignObject",
        "href",
        "url(",
        "@import",
        "http://www.w3.org/1999",
    ):
        assert forbidden not in svg
    assert re.findall(r"https?://[^\"]*", svg) == ["http://www.w3.org/2000/svg"]


def test_the_drawing_is_legible_in_greyscale():
    svg = draw_chart(*typical())
    colours = re.findall(r"#[0-9a-fA-F]{3,8}", svg)
    assert colours
    assert all(re.fullmatch(r"#(..)\1\1", colour) for colour in colours)  # black, white and greys only
    assert not re.search(r"\b(red|green|blue|orange|rgb|hsl)\b", svg)


def test_the_smallest_letters_are_ten_pixels_tall_at_320_pixels():
    root = parsed(draw_chart(*typical()))
    width = float(root.get("viewBox").split()[2])
    smallest = min(float(element.get("font-size")) for element in root.iter(f"{SVG}text"))
    assert smallest * 320 / width >= 10


def test_nothing_is_drawn_outside_the_paper():
    root = parsed(draw_chart(*typical()))
    _, _, width, tall = map(float, root.get("viewBox").split())
    for element in root.iter():
        for name, limit in (
            ("x", width),
            ("x1", width),
            ("x2", width),
            ("cx", width),
            ("y", tall),
            ("y2", tall),
            ("cy", tall),
        ):
            if element.get(name) is not None:
                assert 0 <= float(element.get(name)) <= limit


def test_candidates_have_marks_of_different_shapes():
    sent = submission(journal("0.7500"))
    found = identification(
        sent, *(candidate(f"P{n}", 0.2, made_up_evidence(sent, {0: 0.7500})) for n in range(MOST_CANDIDATES))
    )
    # each mark once in the legend and once in its lane: a disc, a (box) square, a triangle and a cross
    assert shapes(draw_chart(sent, found)) == {"circle": 2, "polygon": 2, "path": 2}


def test_a_size_far_off_is_kept_on_the_paper_with_an_arrow():
    sent = submission(journal("0.7500"))
    near = identification(sent, candidate("P", 0.9, made_up_evidence(sent, {0: 0.7501})))
    far = identification(sent, candidate("P", 0.9, made_up_evidence(sent, {0: 12.0})))
    assert shapes(draw_chart(sent, near))["polygon"] == 0
    assert shapes(draw_chart(sent, far))["polygon"] == 1


def test_no_more_candidates_are_drawn_than_have_marks():
    sent = submission(journal("0.7500"))
    found = identification(sent, *(candidate(f"P-{n}", 0.1, made_up_evidence(sent, {0: 0.75})) for n in range(7)))
    shown = " ".join(words(draw_chart(sent, found)))
    assert "P-3" in shown
    assert "P-4" not in shown


# For those who cannot see it


def test_it_is_an_image_with_a_title_and_a_description():
    root = parsed(draw_chart(*typical()))
    assert root.get("role") == "img"
    by_id = {element.get("id"): element for element in root.iter() if element.get("id")}
    assert by_id[root.get("aria-labelledby")].tag == f"{SVG}title"
    assert by_id[root.get("aria-describedby")].tag == f"{SVG}desc"
    assert by_id[root.get("aria-labelledby")].text


def test_the_description_says_all_the_figures():
    said = description(draw_chart(*typical()))
    assert "Lobe height, digital caliper: measured 1.1725, plus or minus 0.0023." in said
    assert "A expects 1.1740, measured less expected −0.0015, fits." in said
    assert "B expects 1.1620, measured less expected +0.0105, does not fit." in said
    assert "Candidate A: WREN 7-31, 98.1 %." in said
    assert "B states nothing." in said  # of the duration
    assert "Gear teeth: counted 28. A expects 28." in said


# Whatever is sent


def test_with_no_candidates_it_says_so_and_still_shows_the_readings():
    sent, _ = typical()
    svg = draw_chart(sent, identification(sent, state=AnswerState.NOT_IN_CATALOGUE))
    assert "No part is near enough to compare with." in words(svg)
    assert "1.1725" in words(svg)
    assert "There is no evidence to compare the readings with." in description(svg)


def test_with_candidates_but_no_evidence_it_says_so():
    sent, _ = typical()
    svg = draw_chart(sent, identification(sent, candidate("P", 0.9)))
    assert "There is no evidence to compare." in words(svg)


def test_one_reading_makes_a_chart():
    sent = submission(journal("19.05"), unit=LengthUnit.MILLIMETRE)
    svg = draw_chart(sent, identification(sent, candidate("P", 0.5, made_up_evidence(sent, {0: 19.05}))))
    assert "19.050" in words(svg)
    assert "Lengths in millimetres." in " ".join(words(svg))


def test_sixty_readings_make_a_chart():
    readings = [
        make("1.1725", lobe=lobe, cylinder=cylinder)
        for cylinder in range(1, 15)
        for lobe in LobeKind
        for make in (height, base)
    ]
    readings += [journal("1.8895", position=position) for position in Position] + [reading("zero_check", "0")]
    sent = submission(*readings)
    assert len(sent.readings) == 60
    rows = made_up_evidence(sent, {n: float(r.mean) for n, r in enumerate(readings)})
    svg = draw_chart(sent, identification(sent, candidate("P", 0.9, rows)))
    assert words(svg).count("measured") == 60
    headings = [text for text in words(svg) if "lobe, cylinder" in text]
    assert headings[:3] == ["Intake lobe, cylinder 1", "Exhaust lobe, cylinder 1", "Intake lobe, cylinder 2"]


def test_what_no_candidate_states_is_said_so():
    sent = submission(journal("0.7500"), reading("overall_length", "5.120"))
    svg = draw_chart(sent, identification(sent, candidate("P", 0.9, made_up_evidence(sent, {0: 0.75}))))
    assert "no candidate states this" in words(svg)


def test_a_reading_taken_for_another_figure_is_marked():
    sent = submission(journal("0.7050"))
    (prior, row) = made_up_evidence(sent, {0: 0.7500})
    swapped = dataclasses.replace(row, measured=0.7500 * 25.4, difference=0.0)
    svg = draw_chart(sent, identification(sent, candidate("P", 0.9, (prior, swapped))))
    assert "0.7500 *" in words(svg)
    assert "* with the reading taken for another figure." in words(svg)
    assert "(read as 0.7500)" in description(svg)


def test_a_spread_of_nothing_leaves_the_figures():
    sent = submission(journal("0.7500"))
    (prior, row) = made_up_evidence(sent, {0: 0.7510})
    bare = dataclasses.replace(row, expected_spread=0.0)
    assert "expected: A 0.7510" in words(draw_chart(sent, identification(sent, candidate("P", 0.9, (prior, bare)))))


@pytest.mark.parametrize(
    "part_number", ["<script>alert(1)</script>", "\"&<>'", "a\x00b\x0bc\ud800d", "\u202eback", "x" * 300, "", "]]>"]
)
def test_no_part_number_breaks_the_drawing(part_number):
    sent = submission(journal("0.7500"))
    svg = draw_chart(sent, identification(sent, candidate(part_number, 0.9, made_up_evidence(sent, {0: 0.75}))))
    root = parsed(svg)
    assert {element.tag.removeprefix(SVG) for element in root.iter()} <= {
        "svg",
        "title",
        "desc",
        "rect",
        "line",
        "circle",
        "path",
        "polygon",
        "text",
    }
    svg.encode()


def test_every_tool_and_feature_has_its_words():
    for instrument in Instrument:
        sent = submission(journal("0.7500", instrument=instrument))
        assert "_" not in " ".join(words(draw_chart(sent, identification(sent))))


def test_a_mean_never_takes_two_forms():
    # 0.86125 is half way between two figures
    sent = submission(base("0.8610", "0.8615"))
    found = identification(sent, candidate("P", 0.9, made_up_evidence(sent, {0: 0.8610})))
    shown = sent.unit.show(found.candidates[0].evidence[1].measured)
    assert shown in words(draw_chart(sent, found))

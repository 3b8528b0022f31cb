"""`lobedesk lift-table FILE`: CSV in its three forms, JSON, a drawing, and faults that name the line."""

import json
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from click.testing import CliRunner

from service.cli import main
from service.lobe.lift_table import BadTable
from service.lobe.pasted import read_pasted
from service.web.api.lift_tables.examples import LIFT_TABLE_EXAMPLES
from tests.unit.lobe.lobes import INCH, Lobe, bench_table, polynomial

AT, LIFT, _ = bench_table(Lobe(polynomial, 7.9, 76, 80), np.random.default_rng(2), spikes=0.0)
ROWS = list(zip(AT, LIFT / INCH, strict=True))
TWO_COLUMNS = "\n".join(f"{angle:.0f}\t{lift:.4f}" for angle, lift in ROWS)
WIDE = "angle,intake,exhaust\n" + "\n".join(f"{angle:.0f},{lift:.4f},{lift:.4f}" for angle, lift in ROWS)
LONG = "lobe;angle;lift\n" + "\n".join(f"intake;{angle:.0f};{lift:.4f}" for angle, lift in ROWS)


def run(*arguments):
    return CliRunner().invoke(main, ["lift-table", *map(str, arguments)])


@pytest.mark.parametrize("text", [TWO_COLUMNS, WIDE, LONG], ids=["two columns", "a column a lobe", "a row a lobe"])
def test_every_form_of_text_gives_the_same_lobe(tmp_path, text):
    file = tmp_path / "table.csv"
    file.write_text(text)
    done = run(file)
    assert done.exit_code == 0, done.output
    assert "Intake lobe, on a flat follower; lengths in inches" in done.output
    assert "lobe lift                         0.31" in done.output
    assert ("lobe separation" in done.output) == (text is WIDE)


def test_a_json_file_says_everything_itself(tmp_path):
    file = tmp_path / "table.json"
    file.write_text(json.dumps(LIFT_TABLE_EXAMPLES["a_pasted_table"]["value"]))
    done = run(file)
    assert done.exit_code == 0, done.output
    assert "on a roller follower of radius 9.500; lengths in millimetres" in done.output


def test_the_drawing_is_written_where_it_is_asked_for(tmp_path):
    file, drawing = tmp_path / "table.csv", tmp_path / "table.svg"
    file.write_text(WIDE)
    assert run(file, "--plot", drawing).exit_code == 0
    assert ET.parse(drawing).getroot().tag.endswith("svg")


def test_a_valve_is_worked_out_with_its_ratio(tmp_path):
    file = tmp_path / "table.csv"
    file.write_text(TWO_COLUMNS)
    assert "valve lift                        0.460" in run(file, "--rocker-ratio", "1.5", "--lash", "0.006").output


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0 0.1\n2 abc\n", "Line 2 has something that is no plain number: abc."),
        ("angle,lift\n0,1,2\n", "Line 2 has 3 values for 2 columns."),
        ("when,what\n0,1\n", "Line 1 must name the columns"),
        ("lobe,angle,lift\nnose,0,1\n", "Line 2 names no lobe: nose."),
        ("", "There are no rows in it."),
        ("0 0\n2 0\n", "/lobes/0/table/1: has 2 rows"),
    ],
)
def test_what_cannot_be_read_is_named_by_line_or_row(tmp_path, text, said):
    file = tmp_path / "table.csv"
    file.write_text(text)
    done = run(file)
    assert done.exit_code == 1
    assert said in done.output
    assert "Traceback" not in done.output


def test_comments_blank_lines_and_a_byte_order_mark_are_passed_over(tmp_path):
    file = tmp_path / "table.csv"
    file.write_bytes(b"\xef\xbb\xbf# taken on Tuesday\n\nangle,lift\n" + TWO_COLUMNS.replace("\t", ",").encode())
    assert run(file).exit_code == 0


def test_a_very_long_text_is_refused_by_its_line():
    with pytest.raises(BadTable) as refused:
        read_pasted("0 0\n" * 30_000)
    assert "one line too many" in refused.value.faults[0].detail

"""The CSV form of a catalogue: the same catalogue as the JSON form, and faults by file, line and column."""

from __future__ import annotations

import pytest

from service.catalogue_files import CatalogueFaults, read_csv, read_json
from tests.catalogues import catalogue, core, part, plain_lobe

CORES = """\
code,name,engine_families,gear_teeth,overall_length,journal.front.diameter,journal.front.minus,journal.front.plus,\
journal.rear.diameter
C1,First core,Family one,28,5.120,0.7500,0.0005,0,0.7500
"""

PARTS = """\
part_number,core,title,status,superseded_by,units_sold,lobe_separation,intake.lift,intake.base_circle,intake.lash,\
intake.rocker_ratio,intake.tolerances.lift.minus,intake.tolerances.lift.plus,intake.tolerances.base_circle.minus,\
intake.tolerances.base_circle.plus,intake.duration_0.020,intake.duration_0.050,exhaust.lift,exhaust.base_circle
P-1,C1,A grind,current,,120,108,0.3130,0.8610,0.006,1.1,0.001,0.002,0.002,0.002,262.5,232,0.3080,0.8610
P-0,C1,A grind,superseded,P-1,120,108,0.3130,0.8610,0.006,1.1,0.001,0.002,0.002,0.002,262.5,232,0.3080,0.8610
"""

_POINTS = ((-4, "0.3114"), (-2, "0.3126"), (0, "0.3130"), (2, "0.3126"), (4, "0.3114"))
TABLES = "part_number,lobe,angle,lift\n" + "".join(
    f"{number},intake,{angle},{lift}\n" for number in ("P-1", "P-0") for angle, lift in _POINTS
)

FEW_PARTS = "part_number,core,intake.lift,intake.base_circle,intake.duration_0.050,exhaust.lift,exhaust.base_circle\n"


def faults_of(cores: str | bytes, parts: str | bytes, tables: str | bytes | None = None) -> dict[str, str]:
    """What is wrong with the files, by place."""
    given = [text.encode() if isinstance(text, str) else text for text in (cores, parts)]
    with pytest.raises(CatalogueFaults) as caught:
        read_csv(*given, tables.encode() if isinstance(tables, str) else tables)
    found = [(fault.pointer, fault.detail) for fault in caught.value.faults]
    assert len(dict(found)) == len(found), found
    return dict(found)


def test_csv_and_json_give_the_same_catalogue() -> None:
    assert read_csv(CORES.encode(), PARTS.encode(), TABLES.encode()) == read_json(catalogue())


@pytest.mark.parametrize(
    "change",
    [
        lambda text: "\ufeff" + text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.replace("\n", "\n\n  , ,\n"),
        lambda text: text.replace(",", " ,  "),
        lambda text: text.replace("\n", ",,\n"),
        lambda text: text.rstrip("\n"),
        lambda text: text.replace("First core", '"First core"').replace("A grind", '"A grind"'),
    ],
    ids=["byte order mark", "crlf", "blank rows", "blanks", "trailing cells", "no last newline", "quotes"],
)
def test_the_ways_of_spreadsheets_change_nothing(change) -> None:
    files = [change(text).encode() for text in (CORES, PARTS, TABLES)]
    assert read_csv(*files) == read_json(catalogue())


def test_a_row_may_state_its_own_unit() -> None:
    cores = "code,name,unit,journal.front.diameter\nC1,First core,mm,19.05\n"
    parts = FEW_PARTS.replace("core,", "core,unit,") + "P-1,C1,mm,7.9502,21.8694,,,\nP-2,C1,,0.313,0.861,,,\n"
    read = read_csv(cores.encode(), parts.encode())
    assert read.cores[0].journals[0].diameter_mm == 19.05
    assert [next(iter(p.lobes.values())).lift_mm for p in read.parts] == [7.9502, 7.9502]


def test_families_are_parted_by_semicolons() -> None:
    cores = "code,name,engine_families,journal.front.diameter\nC1,First core,One; Two ;,0.75\n"
    parts = FEW_PARTS + "P-1,C1,0.313,0.861,,,\n"
    assert read_csv(cores.encode(), parts.encode()).cores[0].engine_families == ("One", "Two")


def test_a_part_may_carry_one_kind_of_lobe() -> None:
    parts = FEW_PARTS + "P-1,C1,,,,0.313,0.861\n"
    expected = catalogue(
        cores=[core()],
        parts=[{"part_number": "P-1", "core": "C1", "lobes": {"exhaust": plain_lobe()}}],
    )
    assert read_csv(CORES.encode(), parts.encode()) == read_json(expected)


def test_the_follower_of_a_table_is_flat_unless_the_part_says_otherwise() -> None:
    header = FEW_PARTS.replace(",core", ",core,intake.lift_table.follower.kind,intake.lift_table.follower.radius")
    parts = header + "P-1,C1,roller,0.5,0.3130,0.8610,,,\n"
    rolled = {"follower": {"kind": "roller", "radius": "0.5"}, "table": [[0, "0.3130"], [2, "0.3126"]]}
    expected = catalogue(
        cores=[core()],
        parts=[{"part_number": "P-1", "core": "C1", "lobes": {"intake": plain_lobe(lift_table=rolled)}}],
    )
    tables = b"part_number,lobe,angle,lift\nP-1,intake,0,0.3130\nP-1,intake,2,0.3126\n"
    assert read_csv(CORES.encode(), parts.encode(), tables) == read_json(expected)


def test_a_fault_is_named_by_file_line_and_column() -> None:
    parts = FEW_PARTS + "P-1,C1,0.313,0.861,232,,\n\nP-2,C1,0.313,thick,999,0.3,\nP-2,C9,0.313,0.861,,0.3,0.9\n"
    assert faults_of(CORES, parts) == {
        "parts.csv:4:intake.base_circle": "must be a plain decimal of at most 6 digits before and 8 after the point, "
        "such as 0.313",
        "parts.csv:4:intake.duration_0.050": "must be less than 720",
        "parts.csv:4:exhaust.base_circle": "is missing",
        "parts.csv:5:part_number": "part number P-2 stands at parts.csv:4:part_number already",
        "parts.csv:5:core": "there is no core C9",
    }


def test_a_row_after_a_cell_of_several_lines_is_named_by_its_own_line() -> None:
    parts = FEW_PARTS.replace(",core", ",title,core") + 'P-1,"two\nlines",C1,0.313,0.861,,,\nP-2,t,C1,0,0.861,,,\n'
    assert faults_of(CORES, parts).keys() == {"parts.csv:4:intake.lift"}


def test_faults_of_cores_are_named_by_their_columns() -> None:
    cores = CORES.replace(",28,", ",many,").replace("0.0005,0,", "-0.0005,,").replace("Family one", "A;A")
    assert faults_of(cores, PARTS, TABLES).keys() == {
        "cores.csv:2:gear_teeth",
        "cores.csv:2:journal.front.minus",
        "cores.csv:2:journal.front.plus",
        "cores.csv:2:engine_families",
    }


def test_a_core_without_a_journal_is_named() -> None:
    cores = "code,name,journal.front.diameter\nC1,First core,\n"
    assert faults_of(cores, PARTS, TABLES) == {"cores.csv:2:journals": "is missing"}


def test_faults_of_a_lift_table_are_named_by_their_own_lines() -> None:
    tables = TABLES.replace("P-1,intake,2,0.3126", "P-1,intake,2,0.3326").replace("P-0,intake,4,", "P-0,intake,-4,")
    assert faults_of(CORES, PARTS, tables) == {
        "lift_tables.csv:5:lift": "is more than the lift at angle 0; angle 0 must be the nose",
        "lift_tables.csv:11:angle": "angles must rise from row to row",
    }


def test_rows_of_lift_tables_must_belong_to_a_lobe_that_is_there() -> None:
    rows = ("P-9,intake,0,0.313", "P-1,both,0,0.313", ",intake,0,0.3", "P-1,,0,0.3", "P-1,intake,,0.3")
    tables = "\n".join(("part_number,lobe,angle,lift", *rows))
    assert faults_of(CORES, PARTS, tables) == {
        "lift_tables.csv:2:part_number": "there is no part number P-9",
        "lift_tables.csv:3:lobe": "part P-1 has no both lobe",
        "lift_tables.csv:4:part_number": "is missing",
        "lift_tables.csv:5:lobe": "is missing",
        "lift_tables.csv:6": "must have an angle and a lift",
    }


def test_unknown_and_missing_columns_are_named_at_the_header() -> None:
    cores = "code,nam,journal.middel.diameter,journal.front.diameter\nC1,First core,0.75,0.75\n"
    parts = "part_number,intake.lift,intake.lift,intake.base_circle\nP-1,0.313,0.313,0.861\n"
    found = faults_of(cores, parts)
    assert found["cores.csv:1:nam"] == "unknown column; did you mean name?"
    assert found["cores.csv:1:journal.middel.diameter"] == "unknown column; did you mean journal.middle.diameter?"
    assert found["cores.csv:1:name"] == "this column is missing"
    assert found["parts.csv:1:intake.lift"] == "this column is there twice"
    assert found["parts.csv:1:core"] == "this column is missing"


def test_a_duration_column_must_state_its_checking_lift() -> None:
    parts = FEW_PARTS.replace("duration_0.050", "duration_seat") + "P-1,C1,0.313,0.861,270,,\n"
    (place,) = faults_of(CORES, parts)
    assert place == "parts.csv:2:intake.duration_seat"


def test_a_cell_beyond_the_header_is_named() -> None:
    parts = FEW_PARTS + "P-1,C1,0.313,0.861,,,,stray\n"
    assert faults_of(CORES, parts) == {
        "parts.csv:2": "has 8 cells under 7 columns (was a decimal comma taken for the end of a cell?)"
    }


def test_files_without_rows_are_named() -> None:
    assert faults_of("", "").keys() >= {"cores.csv", "parts.csv", "cores.csv:1:code", "parts.csv:1:core"}


def test_text_that_is_neither_utf_8_nor_windows_1252_is_named_by_its_line() -> None:
    spoilt = PARTS.encode().replace(b"A grind", b"Gri\xe9\x81", 1)
    assert faults_of(CORES, spoilt)["parts.csv:2"] == "is neither UTF-8 nor Windows-1252 text"


def test_a_quote_that_never_ends_is_named_by_its_line() -> None:
    assert "is not CSV" in faults_of(CORES, PARTS.replace("P-0", '"P-0'))["parts.csv:3"]


def test_a_null_character_is_no_text() -> None:
    assert "parts.csv:2:title" in faults_of(CORES, PARTS.replace("A grind", "A\0grind", 1))


def test_supersession_in_a_circle_is_named_row_by_row() -> None:
    parts = part(part_number="P-1")
    assert parts["status"] == "current"
    spoilt = PARTS.replace("current,,", "superseded,P-0,")
    assert faults_of(CORES, spoilt, TABLES).keys() == {"parts.csv:2:superseded_by", "parts.csv:3:superseded_by"}

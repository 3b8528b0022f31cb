"""Sheets as spreadsheets write them: what can be read without a guess is read, and what cannot is a fault."""

from __future__ import annotations

import codecs

import pytest

from service.catalogue_files import Checked, check_csv, read_csv, read_json
from service.domain.units import LengthUnit
from tests.catalogues import catalogue
from tests.unit.catalogue.test_csv_form import CORES, FEW_PARTS, PARTS, TABLES, faults_of


def with_semicolons(text: str) -> str:
    """The text as a spreadsheet that writes decimal commas would have it."""
    return text.replace(",", ";").replace(".", ",").replace("intake,", "intake.").replace("exhaust,", "exhaust.")


def restored(text: str) -> str:
    """Points again in the titles, where they part names."""
    for name in ("tolerances", "lift", "base_circle", "journal", "front", "rear"):
        text = text.replace(f"{name},", f"{name}.")
    return text


def comma_files() -> list[str]:
    return [restored(with_semicolons(text)) for text in (CORES, PARTS, TABLES)]


def checked(parts: str | bytes, cores: str = CORES, tables: str | None = None) -> Checked:
    data = parts if isinstance(parts, bytes) else parts.encode()
    return check_csv(cores.encode(), data, None if tables is None else tables.encode())


def test_semicolons_and_decimal_commas_give_the_same_catalogue() -> None:
    cores, parts, tables = comma_files()
    assert "0,3130;0,8610" in parts
    assert "intake.duration_0,050" in parts
    assert read_csv(cores.encode(), parts.encode(), tables.encode()) == read_json(catalogue())


def test_tabs_give_the_same_catalogue() -> None:
    files = [text.replace(",", "\t").encode() for text in (CORES, PARTS, TABLES)]
    assert read_csv(*files) == read_json(catalogue())


@pytest.mark.parametrize(
    ("encoding", "mark"),
    [("utf-16-le", codecs.BOM_UTF16_LE), ("utf-16-be", codecs.BOM_UTF16_BE), ("utf-8", codecs.BOM_UTF8)],
)
def test_a_byte_order_mark_says_how_the_text_is_encoded(encoding: str, mark: bytes) -> None:
    files = [mark + text.replace(",", "\t").encode(encoding) for text in (CORES, PARTS, TABLES)]
    assert read_csv(*files) == read_json(catalogue())


def test_a_first_line_may_say_what_parts_the_cells() -> None:
    files = [f"sep=;\r\n{text}".encode() for text in comma_files()]
    assert read_csv(*files) == read_json(catalogue())
    spoilt = "sep=;\n" + FEW_PARTS.replace(",", ";") + "P-1;C1;thick;0.861;;;\n"
    assert faults_of(CORES, spoilt).keys() == {"parts.csv:3:intake.lift"}


def test_windows_1252_is_read_and_said() -> None:
    found = checked(PARTS.replace("A grind", "Gerät – Nº 1").encode("cp1252"))
    assert found.taken().parts[0].title == "Gerät – Nº 1"
    assert "parts.csv: read as Windows-1252: line 2 is not UTF-8" in found.remarks


def test_a_line_break_in_a_title_is_a_blank() -> None:
    found = checked(FEW_PARTS.replace(",core", ",title,core") + 'P-1,"two\r\n lines",C1,0.313,0.861,,,\n')
    assert found.taken().parts[0].title == "two lines"


def test_a_line_break_in_a_part_number_is_a_fault() -> None:
    assert faults_of(CORES, FEW_PARTS + '"P\n1",C1,0.313,0.861,,,\n').keys() == {"parts.csv:2:part_number"}


def test_a_column_may_name_its_unit() -> None:
    cores = "code,name,journal.front.diameter_mm,overall_length_in\nC1,First core,19.05,5.12\n"
    parts = "part_number,core,intake.lift_in,intake.base_circle_mm,intake.duration_1.27_mm\nP-1,C1,0.313,21.8694,232\n"
    found = checked(parts, cores).taken()
    assert found.cores[0].unit is LengthUnit.MILLIMETRE
    assert found.cores[0].journals[0].diameter_mm == 19.05
    assert found.cores[0].overall_length_mm == 130.048
    lobe = next(iter(found.parts[0].lobes.values()))
    assert (lobe.lift_mm, lobe.base_circle_mm) == (7.9502, 21.8694)
    assert lobe.durations[0].checking_lift_mm == 1.27


def test_a_checking_lift_may_name_its_unit() -> None:
    parts = (
        "part_number,core,intake.lift_mm,intake.base_circle_mm,intake.duration_0.050_in\nP-1,C1,7.9502,21.8694,232\n"
    )
    lobe = next(iter(checked(parts).taken().parts[0].lobes.values()))
    assert lobe.durations[0].checking_lift_mm == 1.27


def test_a_size_may_have_a_column_for_each_unit_and_only_one_of_them_filled() -> None:
    titles = "part_number,core,intake.lift_in,intake.lift_mm,intake.base_circle_in,intake.base_circle_mm\n"
    found = checked(titles + "P-1,C1,0.313,,0.861,\nP-2,C1,,7.9502,,21.8694\n").taken()
    assert [part.unit for part in found.parts] == [LengthUnit.INCH, LengthUnit.MILLIMETRE]
    assert found.parts[0].lobes == found.parts[1].lobes
    both = faults_of(CORES, titles + "P-1,C1,0.313,7.9502,0.861,\n")
    assert both == {
        "parts.csv:2:intake.lift_mm": "is stated in the column intake.lift_in too: one of them must be empty"
    }


def test_millimetres_in_a_row_that_says_inches_are_a_fault() -> None:
    parts = "part_number,core,unit,intake.lift_mm,intake.base_circle\nP-1,C1,in,7.9502,0.861\n"
    (detail,) = faults_of(CORES, parts).values()
    assert "is in millimetres and its row in inches" in detail


def test_a_size_that_cannot_be_kept_exactly_in_millimetres_is_a_fault() -> None:
    parts = "part_number,core,intake.lift_in,intake.base_circle_mm\nP-1,C1,0.31300001,21.8694\n"
    assert "has more decimals than can be kept" in faults_of(CORES, parts)["parts.csv:2:intake.lift_in"]


def test_a_comma_that_may_mark_thousands_is_a_fault_where_nothing_settles_it() -> None:
    cores = "code;name;overall_length;unit;journal.front.diameter\nC1;One;1,234;mm;25\n"
    detail = "may mean 1.234 or 1234, and nothing in this sheet settles which: write 1.234 or 1234"
    assert faults_of(cores, PARTS)["cores.csv:2:overall_length"] == detail


def test_the_same_comma_is_decimal_where_another_cell_can_be_nothing_else() -> None:
    cores = "code;name;overall_length;unit;journal.front.diameter\nC1;One;120,125;mm;25,00\n"
    found = check_csv(cores.encode(), PARTS.encode())
    assert found.taken().cores[0].overall_length_mm == 120.125
    assert "cores.csv: decimals are written with a comma" in found.remarks


def test_a_comma_beside_decimal_points_is_a_fault() -> None:
    cores = "code;name;overall_length;unit;journal.front.diameter\nC1;One;1,234;mm;25.00\n"
    assert "thousands must not be marked" in faults_of(cores, PARTS)["cores.csv:2:overall_length"]


def test_a_sheet_that_writes_decimals_both_ways_is_at_fault_wherever_it_has_a_comma() -> None:
    parts = FEW_PARTS.replace(",", ";") + "P-1;C1;0,313;0.861;;;\nP-2;C1;0.313;0,861;;;\n"
    assert faults_of(CORES, parts).keys() == {"parts.csv:2:intake.lift", "parts.csv:3:intake.base_circle"}


@pytest.mark.parametrize("cell", ["1.234,5", "1,234.5", "1 234", "0.313 in", '0.313"', "'0.313", "0,3,1", "1e-1", "٣"])
def test_a_number_written_in_any_other_way_is_a_fault_that_shows_it(cell: str) -> None:
    quoted = '"' + cell.replace('"', '""') + '"'
    data = (FEW_PARTS.replace(",", ";") + f"P-1;C1;{quoted};0.861;;;\n").encode()
    (fault,) = check_csv(CORES.encode(), data).faults
    assert fault.pointer == "parts.csv:2:intake.lift"
    assert fault.value == cell  # type: ignore[attr-defined]


def test_decimal_commas_between_commas_do_not_slip_into_other_columns() -> None:
    parts = "part_number,core,intake.lift,intake.base_circle,exhaust.lift,exhaust.base_circle\nP-1,C1,7,95,21,87,,\n"
    (fault,) = faults_of(CORES, parts).items()
    assert fault[0] == "parts.csv:2"
    assert "has 8 cells under 6 columns" in fault[1]


@pytest.mark.parametrize(
    ("unit", "written", "said"),
    [
        ("in", "21.87", "21.87 in is no size for a base circle (0.236 to 5.91 in); is the unit right?"),
        ("mm", "0.861", "0.861 mm is no size for a base circle (6 to 150 mm); is the unit right?"),
    ],
)
def test_a_size_out_of_bounds_is_told_in_the_unit_it_is_written_in(unit: str, written: str, said: str) -> None:
    lift = "0.313" if unit == "in" else "7.95"
    parts = f"part_number,core,unit,intake.lift,intake.base_circle\nP-1,C1,{unit},{lift},{written}\n"
    assert faults_of(CORES, parts) == {"parts.csv:2:intake.base_circle": said}


def test_the_corrected_sheets_are_the_catalogue_in_plain_form() -> None:
    cores, parts, tables = (("\ufeff" + text).replace("\n", "\r\n").encode() for text in comma_files())
    found = check_csv(cores, parts, tables)
    plain = {name: write() for name, write in found.corrected.items()}
    assert plain == {"cores.csv": CORES, "parts.csv": PARTS, "lift_tables.csv": TABLES}


def test_a_corrected_sheet_has_no_columns_that_are_empty_from_top_to_bottom() -> None:
    cores = b"code;name;journal.front.diameter;;\nC1;One;0,75;;\n;;;;\n"
    found = check_csv(cores, b"part_number,core,intake.lift,intake.base_circle,\nP-1,C1,0.313,0.861,\n")
    assert found.corrected["cores.csv"]() == "code,name,journal.front.diameter\nC1,One,0.75\n"


def test_a_corrected_sheet_leaves_a_number_it_cannot_settle_as_it_is() -> None:
    cores = "code;name;overall_length;unit;journal.front.diameter\nC1; One ;1,234;mm;25\n"
    found = check_csv(cores.encode(), PARTS.encode())
    assert found.corrected["cores.csv"]() == (
        'code,name,overall_length,unit,journal.front.diameter\nC1,One,"1,234",mm,25\n'
    )


def test_every_fault_shows_what_was_written() -> None:
    parts = FEW_PARTS.replace(",", ";") + "P-1;C1;0,313;thick;;;\nP-2;C9;0,313;0,861;;;\n"
    found = {fault.pointer: fault.value for fault in checked(parts).faults}  # type: ignore[attr-defined]
    assert found == {"parts.csv:2:intake.base_circle": "thick", "parts.csv:3:core": "C9"}


def test_reading_says_how_far_it_has_come() -> None:
    rows = "".join(f"P-{i},C1,0.313,0.861,,,\n" for i in range(1200))
    steps: list[tuple[int, int]] = []
    check_csv(CORES.encode(), (FEW_PARTS + rows).encode(), told=lambda done, of: steps.append((done, of)))
    assert steps == [(500, 1200), (1000, 1200)]

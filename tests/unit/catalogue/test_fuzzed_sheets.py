"""Sheets spoilt at random: reading never crashes, and no size is ever taken that was not written.

What a size in a sheet means is read a second time here by a slow obvious rule, from the cell alone.
"""

from __future__ import annotations

import csv
import io
from decimal import Decimal, InvalidOperation

from hypothesis import example, given
from hypothesis import strategies as st

from service.catalogue_files import check_csv
from service.catalogue_files.workbook_form import check_workbook
from service.domain.readings import LobeKind

CORES = "code,name,journal.front.diameter\nC1,First core,0.7500\n"
TITLES = ["part_number", "core", "title", "intake.lift", "intake.base_circle", "exhaust.lift", "exhaust.base_circle"]

numbers = st.one_of(
    st.from_regex(r"\A0[.,][1-9][0-9]{1,4}\Z"),
    st.from_regex(r"\A[1-9][.,]?[0-9]{0,3}\Z"),
    st.from_regex(r"\A[1-9][0-9]?[.,][0-9]{3}\Z"),
    st.sampled_from(["", "0,313", "0.313", "0,861", "0.861", "7.95", "21,87", "1,234", "1.234", " 0.861 ", "1.234,5"]),
)
titles = st.text(st.characters(codec="cp1252"), max_size=12)
rows = st.lists(st.tuples(titles, numbers, numbers, numbers, numbers), min_size=1, max_size=6)


def meant(cell: str) -> set[Decimal]:
    """Everything a cell can be taken to say, in the sheet's unit: with its comma as a decimal one, or as none."""
    found = set()
    for text in (cell.strip(), cell.strip().replace(",", ".")):
        try:
            found.add(Decimal(text) * Decimal("25.4"))
        except InvalidOperation:
            continue
    return found


@given(
    rows, st.sampled_from([",", ";", "\t"]), st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16"]), st.booleans()
)
@example([("A", "1,234", "1,861", "", "")], ";", "utf-8", False)
def test_no_size_is_taken_that_was_not_written(
    sheet: list[tuple[str, ...]], separator: str, encoding: str, crlf: bool
) -> None:
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator="\r\n" if crlf else "\n")
    writer.writerow(TITLES)
    for i, (title, *sizes) in enumerate(sheet):
        writer.writerow([f"P-{i}", "C1", title, *sizes])
    found = check_csv(CORES.encode(), out.getvalue().encode(encoding))
    assert (found.catalogue is None) == bool(found.faults)
    if found.catalogue is None:
        assert all(fault.detail and fault.pointer for fault in found.faults)
        return
    cells = [cell for _, *sizes in sheet for cell in sizes]
    points = any("." in cell for cell in cells)
    for part, (_, *sizes) in zip(found.catalogue.parts, sheet, strict=True):
        for kind, (lift, base) in zip(LobeKind, (sizes[:2], sizes[2:]), strict=True):
            lobe = part.lobes.get(kind)
            taken = (None, None) if lobe is None else (lobe.lift_mm, lobe.base_circle_mm)
            for value, cell in zip(taken, (lift, base), strict=True):
                assert (value is None) == (cell.strip() == "")
                assert value is None or Decimal(repr(value)) in meant(cell)
                # a comma was taken for a decimal one only where no cell of the sheet has a point
                assert not ("," in cell and points)


@given(st.binary(max_size=400), st.binary(max_size=400))
def test_bytes_of_any_kind_are_read_or_refused(cores: bytes, parts: bytes) -> None:
    found = check_csv(cores, parts, parts)
    assert found.catalogue is None
    assert found.faults
    assert all(isinstance(write(), str) for write in found.corrected.values())


@given(st.text(alphabet='part_number,core;.\t"\n\r0123456789-intake.lift_mbascirclx\x1f\x00é', max_size=200))
def test_text_of_any_kind_is_read_or_refused(text: str) -> None:
    data = ("part_number,core,intake.lift,intake.base_circle\n" + text).encode()
    found = check_csv(CORES.encode(), data)
    assert (found.catalogue is None) == bool(found.faults)


@given(st.binary(max_size=300))
def test_a_workbook_of_any_bytes_is_refused(data: bytes) -> None:
    assert check_workbook(data).faults
    assert check_workbook(b"PK\x03\x04" + data).faults

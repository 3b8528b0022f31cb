"""A catalogue page to print: one core, its journals, and what every grind on it measures, in inches and millimetres."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from fpdf import FontFace

from service.documents.paper import GREY, Paper
from service.documents.words import plain
from service.domain.catalogue import Core, Part, Tolerance
from service.domain.units import LengthUnit

_SHEET = (297.0, 210.0)
_MARGIN = 14.0
_IN, _MM = LengthUnit.INCH, LengthUnit.MILLIMETRE
_JOURNAL_WIDTHS = (40, 30, 30, 45, 45)
_PART_WIDTHS = (36, 18, 20, 20, 20, 20, 20, 20, 75, 20)


class _CatalogueSheet(Paper):
    """A sheet with the core, the revision and the page at its foot."""

    footing = ""

    def footer(self) -> None:
        """What stands at the foot of a page."""
        self.set_y(-12)
        self.ink(8, grey=True)
        self.cell(0, 5, self.fitted(self.footing))
        self.set_x(self.l_margin)
        self.cell(0, 5, f"Page {self.page_no()} of {{nb}}", align="R")


def core_page_pdf(core: Core, parts: Sequence[Part], revision: int, made_on: date) -> bytes:
    """The page of a core and the parts on it, A4 on its side; the same revision gives the same bytes."""
    sheet = _CatalogueSheet(f"Core {core.code}", "lobedesk", made_on, _SHEET)
    sheet.footing = f"Core {core.code}, catalogue revision {revision} of {made_on.isoformat()}"
    sheet.set_margins(_MARGIN, 14, _MARGIN)
    sheet.set_auto_page_break(auto=True, margin=16)
    sheet.add_page()
    sheet.ink(18, bold=True)
    sheet.words(f"{core.code}  {core.name}", height=9, after=1)
    sheet.ink(10)
    sheet.words("; ".join(_about(core)), after=3)
    _heading(sheet, "Journals")
    rows = [
        (
            journal.position.value,
            _IN.show(journal.diameter_mm),
            _MM.show(journal.diameter_mm),
            _limits(journal.tolerance, _IN),
            _limits(journal.tolerance, _MM),
        )
        for journal in core.journals
    ]
    _table(sheet, ("journal", "in", "mm", "limits, in", "limits, mm"), rows, _JOURNAL_WIDTHS)
    _heading(sheet, f"Grinds ({len(parts)})")
    names = (
        "part",
        "lobe",
        "lift, in",
        "mm",
        "base, in",
        "mm",
        "height, in",
        "mm",
        "crank degrees at lift",
        "separation",
    )
    _table(sheet, names, [row for part in parts for row in _rows(part)], _PART_WIDTHS)
    sheet.ln(3)
    sheet.ink(8)
    sheet.words(
        "Height is base circle plus lift, as a caliper reads it across the lobe; separation in cam degrees. Sizes are "
        "nominal, of an unworn shaft. They name a shaft and say nothing of whether it is fit to run: the engine "
        "maker's manual, local rules and a qualified engine builder do.",
        height=4,
    )
    return sheet.finished()


def _about(core: Core) -> list[str]:
    said = [f"fits {', '.join(core.engine_families)}"] if core.engine_families else []
    if core.gear_teeth is not None:
        said.append(f"{core.gear_teeth} gear teeth")
    if core.overall_length_mm is not None:
        said.append(f"length {_IN.show(core.overall_length_mm)} in, {_MM.show(core.overall_length_mm)} mm")
    return said or ["nothing more is stated"]


def _limits(tolerance: Tolerance | None, unit: LengthUnit) -> str:
    if tolerance is None:
        return "not stated"
    return f"+{unit.show(tolerance.plus_mm)} / -{unit.show(tolerance.minus_mm)}"


def _rows(part: Part) -> list[tuple[str, ...]]:
    """A row a lobe; the part is named on the first."""
    found = []
    status = part.superseded_by if part.superseded_by is not None else plain(part.status.value)
    name = (
        part.part_number
        if status == "current"
        else f"{part.part_number} ({'now ' if part.superseded_by else ''}{status})"
    )
    separation = "" if part.lobe_separation_cam_deg is None else f"{part.lobe_separation_cam_deg:g}"
    for n, (kind, lobe) in enumerate(part.lobes.items()):
        sizes = [unit.show(mm) for mm in (lobe.lift_mm, lobe.base_circle_mm, lobe.height_mm) for unit in (_IN, _MM)]
        durations = ", ".join(
            f"{d.crank_deg:g} at {_IN.show(d.checking_lift_mm)} in ({_MM.show(d.checking_lift_mm)} mm)"
            for d in lobe.durations
        )
        found.append(("" if n else name, kind.value, *sizes, durations, "" if n else separation))
    return found


def _heading(sheet: Paper, text: str) -> None:
    sheet.ln(2)
    sheet.ink(12, bold=True)
    sheet.words(text, height=7)
    sheet.ink(8)


def _table(sheet: Paper, names: Sequence[str], rows: Sequence[Sequence[str]], widths: tuple[int, ...]) -> None:
    sheet.set_draw_color(GREY)
    with sheet.table(
        col_widths=widths, width=sum(widths), align="LEFT", text_align="LEFT", line_height=4.6,
        borders_layout="HORIZONTAL_LINES", headings_style=FontFace(emphasis="BOLD"),
    ) as table:  # fmt: skip
        for cells in (names, *rows):
            row = table.row()
            for cell in cells:
                row.cell(sheet.fitted(cell))

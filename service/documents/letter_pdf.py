"""A letter as PDF, on A4."""

from __future__ import annotations

from fpdf import FontFace

from service.documents.letter import Block, Bullets, Letter, Table
from service.documents.paper import GREY, Paper

_MARGIN = 20.0
_WIDTHS = (78, 46, 23, 23)
"""Of a table's columns, in mm: what, with what, and two figures."""


class _LetterPaper(Paper):
    """A letter's sheet: its reference and page number at the foot of every page."""

    footing = ""

    def footer(self) -> None:
        """What stands at the foot of a page."""
        self.set_y(-15)
        self.ink(8, grey=True)
        self.cell(0, 5, self.fitted(self.footing))
        self.set_x(self.l_margin)
        self.cell(0, 5, f"Page {self.page_no()} of {{nb}}", align="R")


def letter_pdf(letter: Letter) -> bytes:
    """The whole letter; the same letter gives the same bytes."""
    supplier = letter.supplier
    paper = _LetterPaper(letter.subject, supplier.name, letter.written_on)
    paper.footing = letter.footing
    paper.set_margins(_MARGIN, 18, _MARGIN)
    paper.set_auto_page_break(auto=True, margin=20)
    paper.add_page()

    paper.ink(14, bold=True)
    paper.words(supplier.name, height=7)
    paper.ink(9)
    for line in (*supplier.address, supplier.phone, supplier.email):
        if line:
            paper.words(line, height=4.5)
    paper.ln(2)
    paper.line(_MARGIN, paper.get_y(), paper.w - _MARGIN, paper.get_y())
    paper.ln(5)

    paper.ink()
    if letter.addressee:
        paper.words(f"To {letter.addressee}")
    paper.words(f"{letter.written_on.day} {letter.written_on:%B %Y}", after=2)
    paper.words(letter.subject, after=3)
    paper.words(supplier.opening, after=3)
    paper.ink(14, bold=True)
    paper.words(letter.headline, height=7, after=2)
    for section in letter.sections:
        _heading(paper, section.heading)
        for block in section.blocks:
            _block(paper, block)
    paper.ln(3)
    paper.words(supplier.closing, after=3)
    paper.words(supplier.name)
    return paper.finished()


def _heading(paper: Paper, heading: str) -> None:
    paper.ln(2)
    if paper.get_y() > paper.h - 45:  # never alone at the foot of a page
        paper.add_page()
    paper.ink(11, bold=True)
    paper.words(heading, height=6, after=1)
    paper.ink()


def _block(paper: Paper, block: Block) -> None:
    if isinstance(block, str):
        paper.words(block, after=2)
    elif isinstance(block, Bullets):
        for item in block.items:
            _bullet(paper, item)
        paper.ln(1.5)
    else:
        _table(paper, block)


def _bullet(paper: Paper, text: str) -> None:
    left = paper.l_margin
    paper.set_x(left)
    paper.cell(5, 5, "•")
    paper.set_left_margin(left + 5)
    paper.words(text, after=0.5)
    paper.set_left_margin(left)
    paper.set_x(left)


def _table(paper: Paper, table: Table) -> None:
    paper.set_draw_color(GREY)
    paper.ink(9)
    with paper.table(
        borders_layout="HORIZONTAL_LINES",
        col_widths=_WIDTHS,
        text_align=("LEFT", "LEFT", "RIGHT", "RIGHT"),
        line_height=4.6,
        padding=(0.6, 1, 0.6, 0),
        width=sum(_WIDTHS),
        align="LEFT",
        headings_style=FontFace(emphasis="BOLD"),
    ) as laid:
        for row in (table.columns, *table.rows):
            cells = laid.row()
            for cell in row:
                cells.cell(paper.fitted(cell))
    paper.ink()
    paper.set_draw_color(0)
    paper.ln(2)

"""Sheets of paper: a PDF with our fonts, nothing in it that changes from one making to the next."""

from __future__ import annotations

from datetime import UTC, date, datetime
from importlib.resources import files

from fpdf import FPDF
from fpdf.fonts import TTFFont

FONT = "DejaVu"
GREY = 110
_FILES = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf"}


class Paper(FPDF):
    """An A4 document (or one of `size`, width and height in mm); text that our fonts cannot print becomes "?"."""

    def __init__(self, title: str, author: str, made_on: date, size: tuple[float, float] | str = "A4") -> None:
        super().__init__(format=size)
        for style, name in _FILES.items():
            self.add_font(FONT, style, str(files("service.documents").joinpath("fonts", name)))
        self.set_title(self.fitted(title))
        self.set_author(self.fitted(author))
        self.set_lang("en")
        self.set_creator("lobedesk")
        self.set_creation_date(datetime(made_on.year, made_on.month, made_on.day, tzinfo=UTC))
        self.ink()

    def ink(self, size: float = 10, *, bold: bool = False, grey: bool = False) -> None:
        """How the next text looks."""
        self.set_font(FONT, "B" if bold else "", size)
        self.set_text_color(GREY if grey else 0)

    def fitted(self, text: str) -> str:
        """`text` with every character that the fonts lack as "?"."""
        font = self.fonts[FONT.lower()]
        known = font.cmap if isinstance(font, TTFFont) else {}
        return "".join(letter if ord(letter) in known else "?" for letter in text)

    def words(self, text: str, *, width: float = 0, height: float = 5, after: float = 0) -> None:
        """A paragraph across the page, or `width` mm wide, from the left margin; `after` mm of space follow."""
        self.set_x(self.l_margin)
        self.multi_cell(width, height, self.fitted(text), align="L", new_x="LMARGIN", new_y="NEXT")
        if after:
            self.ln(after)

    def finished(self) -> bytes:
        """The document."""
        return bytes(self.output())

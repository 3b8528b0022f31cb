"""What goes with a shaft that is posted in: a packing slip for the box and a label for its outside, as PDF.

Both carry the reference three times: to be read, as a QR code (ISO/IEC 18004) and as a Code 128 bar code (ISO/IEC
15417), so that whoever unpacks the box finds the case with whatever is at hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import segno
from barcode.codex import Code128

from service.documents.paper import Paper
from service.documents.words import printable
from service.domain.supplier import Supplier

LABEL_SIZE = (105.0, 148.0)
"""A6, in mm."""

_QUIET = 4
"""Modules kept clear round a QR code (ISO/IEC 18004, 4 on each side); a bar code has 10 at each end."""

STEPS = (
    "Drain the oil, wipe the shaft clean and dry, and wrap it so that no lobe touches another thing. Edges are sharp: "
    "wear gloves.",
    "Send the bare shaft: no gear, bearing or key that you want to keep, unless we asked for it.",
    "Put this sheet in the box, and the label on its outside. Write nothing on the shaft.",
    "Keep the reference. We answer to it, and the shaft is known by it from here on.",
)
"""How to pack (common practice, no source)."""

PROMISE = (
    "We measure it, write to you, and send it back. We scrap a shaft only when its owner has said so.",
    "What we find says which grind it is. It does not say that the shaft is fit to run.",
)


@dataclass(frozen=True)
class Packing:
    """A shaft about to travel. `code` is the reference to be scanned, `spoken` to be read; `sender` may be empty."""

    code: str
    spoken: str
    announced_on: date
    supplier: Supplier
    sender: tuple[str, ...] = ()


def packing_slip(packing: Packing) -> bytes:
    """The sheet that goes in the box, A4."""
    supplier = packing.supplier
    paper = Paper(f"Packing slip {packing.spoken}", supplier.name, packing.announced_on)
    paper.set_margins(20, 18, 20)
    paper.set_auto_page_break(auto=True, margin=15)
    paper.add_page()
    paper.ink(20, bold=True)
    paper.words("Packing slip", height=10, after=4)
    top = paper.get_y()
    paper.ink(9, grey=True)
    paper.words("Reference")
    paper.ink(24, bold=True)
    paper.words(packing.spoken, height=12, after=2)
    draw_bars(paper, packing.code, 20, paper.get_y(), width=80, height=18)
    draw_qr(paper, packing.code, 150, top, size=40)
    paper.set_y(max(paper.get_y() + 20, top + 44))
    paper.ink(9, grey=True)
    paper.words("Send the box to")
    paper.ink(11)
    for line in (supplier.name, *supplier.receiving):
        paper.words(printable(line))
    if packing.sender:
        paper.ln(4)
        paper.ink(9, grey=True)
        paper.words("Sent by")
        paper.ink(11)
        for line in packing.sender:
            paper.words(printable(line))
    paper.ln(4)
    paper.ink(9, grey=True)
    paper.words(f"Announced on {packing.announced_on.day} {packing.announced_on:%B %Y}", after=3)
    paper.ink(11)
    for number, step in enumerate(STEPS, 1):
        paper.words(f"{number}.  {step}", height=5.5, after=1.5)
    paper.ln(3)
    for line in PROMISE:
        paper.words(line, height=5.5, after=1.5)
    return paper.finished()


def address_label(packing: Packing) -> bytes:
    """The label for the outside of the box, A6."""
    supplier = packing.supplier
    paper = Paper(f"Label {packing.spoken}", supplier.name, packing.announced_on, size=LABEL_SIZE)
    paper.set_margins(8, 8, 8)
    paper.set_auto_page_break(auto=False)
    paper.add_page()
    paper.ink(7, grey=True)
    paper.words("From", height=3.5)
    paper.ink(8)
    for line in packing.sender[:6] or ("write your name and address here",):
        paper.words(printable(line), height=4)
    paper.line(8, 40, LABEL_SIZE[0] - 8, 40)
    paper.set_y(43)
    paper.ink(7, grey=True)
    paper.words("To", height=3.5)
    paper.ink(13, bold=True)
    for line in (supplier.name, *supplier.receiving)[:7]:
        paper.words(printable(line), height=6)
    paper.line(8, 92, LABEL_SIZE[0] - 8, 92)
    paper.set_y(95)
    paper.ink(18, bold=True)
    paper.words(packing.spoken, height=9)
    draw_bars(paper, packing.code, 8, 107, width=56, height=18)
    draw_qr(paper, packing.code, 68, 96, size=30)
    paper.set_y(130)
    paper.ink(8)
    paper.words("Camshaft for measuring. The reference is on the slip inside as well.", height=4)
    return paper.finished()


def draw_bars(paper: Paper, text: str, x: float, y: float, *, width: float, height: float) -> None:
    """`text` as a Code 128 bar code in a box of mm, its quiet ends inside the box."""
    modules = "".join(Code128(text).build())
    module = width / (len(modules) + 20)
    paper.set_fill_color(0)
    for start, length in _runs(modules):
        paper.rect(x + (10 + start) * module, y, length * module, height, style="F")


def draw_qr(paper: Paper, text: str, x: float, y: float, *, size: float) -> None:
    """`text` as a QR code in a square of mm, its quiet margin inside the square."""
    rows = segno.make_qr(text, error="m").matrix
    module = size / (len(rows) + 2 * _QUIET)
    paper.set_fill_color(0)
    for row, bits in enumerate(rows):
        for start, length in _runs("".join(str(int(bit)) for bit in bits)):
            left, top = x + (_QUIET + start) * module, y + (_QUIET + row) * module
            paper.rect(left, top, length * module, module, style="F")


def _runs(modules: str) -> list[tuple[int, int]]:
    """Where the dark runs of a row of modules begin, and how long they are."""
    runs: list[tuple[int, int]] = []
    for place, module in enumerate(modules):
        if module != "1":
            continue
        if runs and sum(runs[-1]) == place:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((place, 1))
    return runs

"""A letter as plain text, in lines that no mail program breaks."""

from __future__ import annotations

import textwrap

from service.documents.letter import Block, Bullets, Letter, Table

WIDTH = 76


def letter_text(letter: Letter) -> str:
    """The whole letter in lines of at most `WIDTH` characters, cells of tables and addresses apart."""
    supplier = letter.supplier
    head = [supplier.name, *supplier.address, *_reached(letter)]
    paragraphs = [
        "\n".join(head),
        f"{letter.written_on:%d %B %Y}".lstrip("0"),
        _wrapped(letter.subject),
        f"To {letter.addressee}" if letter.addressee else "",
        _wrapped(supplier.opening),
        _wrapped(letter.headline.upper()),
    ]
    for section in letter.sections:
        paragraphs.append(f"{section.heading}\n{'-' * len(section.heading)}")
        paragraphs += [_block(block) for block in section.blocks]
    paragraphs += [_wrapped(supplier.closing), supplier.name, _wrapped(letter.footing)]
    return "\n\n".join(paragraph for paragraph in paragraphs if paragraph) + "\n"


def _reached(letter: Letter) -> list[str]:
    return [line for line in (letter.supplier.phone, letter.supplier.email) if line]


def _wrapped(text: str, first: str = "", indent: str = "") -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=indent, break_on_hyphens=False)


def _block(block: Block) -> str:
    if isinstance(block, str):
        return _wrapped(block)
    if isinstance(block, Bullets):
        return "\n".join(_wrapped(item, "  - ", "    ") for item in block.items)
    return _table(block)


def _table(table: Table) -> str:
    rows = (table.columns, *table.rows)
    widths = [max(len(row[place]) for row in rows) for place in range(len(table.columns))]
    lines = []
    for row in rows:
        cells = [
            cell.ljust(width) if place < 2 else cell.rjust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  " + "  ".join(cells).rstrip())
    return "\n".join(lines)

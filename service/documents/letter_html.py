"""A letter as HTML: a page that stands alone, or the body of an e-mail."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined

from service.documents.letter import Block, Bullets, Letter, Table


@cache
def templates() -> Environment:
    """The documents' templates; everything that is put into them is escaped."""
    return Environment(
        loader=PackageLoader("service.documents"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def letter_html(letter: Letter) -> str:
    """The whole letter; styles are in the elements, since mail programs drop a style sheet. Loads nothing."""
    return templates().get_template("letter.html").render(letter=letter, kind_of=_kind_of)


def _kind_of(block: Block) -> str:
    if isinstance(block, Table):
        return "table"
    return "list" if isinstance(block, Bullets) else "paragraph"

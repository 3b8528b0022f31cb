"""What publishing a catalogue would do, as its owner reads it: a page that stands alone, or plain text."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from service.documents.catalogue_plots import draw_journals, draw_lifts, draw_look_alikes
from service.documents.letter_html import templates
from service.documents.words import plain
from service.domain.catalogue import Catalogue
from service.domain.units import LengthUnit
from service.identification.look_alikes.look_alike_map import LookAlike

_ROWS = 200


@dataclass(frozen=True)
class DraftSummary:
    """What is to be told of a draft: lines to begin with, tables, and what the drawings are made from."""

    lines: tuple[str, ...]
    changes: tuple[str, ...]
    created: tuple[LookAlike, ...]
    removed: tuple[LookAlike, ...]
    untellable: tuple[LookAlike, ...]
    stranded: tuple[tuple[str, str], ...]
    """(part number, case's reference)."""
    alike: tuple[LookAlike, ...]
    catalogue: Catalogue


@dataclass(frozen=True)
class _Section:
    heading: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    more: int


def draft_html(summary: DraftSummary, unit: LengthUnit) -> str:
    """The page, with its drawings; it loads nothing."""
    drawings = (
        draw_lifts(summary.catalogue, unit),
        draw_journals(summary.catalogue, unit),
        draw_look_alikes(summary.alike, summary.created),
    )
    own = [
        drawing.replace("chart-title", f"title-{n}").replace("chart-description", f"description-{n}")
        for n, drawing in enumerate(drawings)
    ]
    return templates().get_template("draft.html").render(
        summary=summary.lines,
        sections=_sections(summary, unit),
        drawings=[Markup(drawing) for drawing in own],  # noqa: S704  written by our own XML writer, texts escaped
    )  # fmt: skip


def draft_text(summary: DraftSummary, unit: LengthUnit) -> str:
    """The same without the drawings."""
    said = list(summary.lines)
    for section in _sections(summary, unit):
        said += ["", f"{section.heading}: {len(section.rows) + section.more or 'none'}"]
        said += ["  " + ", ".join(cell for cell in row if cell) for row in section.rows]
        said += [f"  and {section.more} more"] if section.more else []
    return "\n".join(said)


def _sections(summary: DraftSummary, unit: LengthUnit) -> tuple[_Section, ...]:
    alike = ("part", "other", "sizes apart", "told apart by")
    return (
        _section("Parts that vanish while open cases point to them", ("part", "case"), summary.stranded),
        _section(
            "Look-alikes the change creates", alike, [_pair(one, unit) for one in summary.created]
        ),
        _section("Look-alikes the change removes", alike, [_pair(one, unit) for one in summary.removed]),
        _section("Parts that no tool can tell apart", alike, [_pair(one, unit) for one in summary.untellable]),
        _section("Changes", ("what",), [(words,) for words in summary.changes]),
    )  # fmt: skip


def _section(heading: str, columns: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> _Section:
    return _Section(heading, columns, tuple(rows[:_ROWS]), max(0, len(rows) - _ROWS))


def _pair(one: LookAlike, unit: LengthUnit) -> tuple[str, ...]:
    by = plain(one.separated_by.value) + (f" ({one.where})" if one.where else "")
    return one.part_number, one.other, f"{unit.show(one.sizes_apart_mm)} {unit}", by

"""What publishing a catalogue would do, written to a file from the terminal."""

from __future__ import annotations

from pathlib import Path

import click
import orjson

from service.catalogue_files import Checked
from service.documents.draft_pages import draft_html, draft_text
from service.domain.units import LengthUnit
from service.serving.reached import command_stores
from service.settings import Settings
from service.web.api.catalogue.drafts import draft_json
from service.web.api.catalogue.shown import warnings_json
from service.workflows.catalogue.before_publishing import look_at_draft, summary_of


def write_summary(settings: Settings, checked: Checked, path: Path) -> None:
    """Hold a checked catalogue against the active revision and write what would change, in the form of the ending."""
    with command_stores(settings) as stores:
        draft = look_at_draft(stores, checked.taken())
    summary, unit = summary_of(draft), LengthUnit.INCH
    if path.suffix.lower() == ".html":
        path.write_text(draft_html(summary, unit), encoding="utf-8")
    elif path.suffix.lower() == ".json":
        path.write_bytes(
            orjson.dumps(draft_json(draft, unit) | warnings_json(checked.doubts), option=orjson.OPT_INDENT_2) + b"\n"
        )
    else:
        path.write_text(draft_text(summary, unit) + "\n", encoding="utf-8")
    for line in summary.lines:
        click.echo(line)
    click.echo(f"written: {path}")

"""`lobedesk lift-table`: a file with lift tables, worked out in the terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import orjson

from service.commands.stated import read_stated
from service.documents.lift_table_plot import draw_sheet
from service.documents.lift_table_text import render_sheet
from service.domain.errors import InvalidInput
from service.identification.bench.condition import odd_lobes
from service.identification.measuring.model import DEFAULT_MODEL
from service.lobe.analysis import analyse
from service.lobe.pasted import read_pasted
from service.lobe.sent_sheet import SentSheet
from service.serving.reached import command_stores
from service.settings import Settings
from service.web.api.lift_tables.schemas import LiftTableSchema
from service.workflows.identifying.lift_tables import WorkedOut, work_out
from service.workflows.identifying.snapshot import CatalogueSnapshot

MOST_BYTES = 16 * 1024 * 1024


def read_table_file(path: Path, options: dict[str, Any]) -> SentSheet:
    """A lift table file as the API would take it: its own JSON form, or CSV with `options` for the rest.

    `options` are members of the JSON form (`unit`, `angle`, `follower`, ...), `lobe` and `base_circle` those of each
    lobe that the file does not name. Raises `InvalidInput` naming the field or the line.
    """
    if path.stat().st_size > MOST_BYTES:
        raise InvalidInput(f"{path.name} is larger than {MOST_BYTES // 1024 // 1024} MiB.")
    data = path.read_bytes()
    if path.suffix.casefold() == ".json":
        try:
            sent = orjson.loads(data)
        except orjson.JSONDecodeError as error:
            raise InvalidInput(f"{path.name} is not JSON: {error}.") from None
    else:
        sent = _from_text(data, options)
    sheet: SentSheet = read_stated(LiftTableSchema(), sent)
    return sheet


def _from_text(data: bytes, options: dict[str, Any]) -> dict[str, Any]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    lobe, base = options.pop("lobe"), options.pop("base_circle", None)
    lobes = []
    for pasted in read_pasted(text):
        rows = [[str(angle), str(lift)] for angle, lift in pasted.rows]
        one = {"lobe": pasted.kind or lobe, "cylinder": pasted.cylinder, "table": rows}
        lobes.append(one if base is None else one | {"base_circle": base})
    return options | {"lobes": lobes}


def work_out_file(settings: Settings, sent: SentSheet, *, match: bool) -> tuple[str, str]:
    """(the sheet as text, its drawing); compared with the active catalogue where `match` is asked for."""
    if match:
        with command_stores(settings) as stores:
            found = work_out(stores, CatalogueSnapshot(), sent)
    else:
        report = analyse(sent.sheet)
        found = WorkedOut(
            report, False, (), None, tuple(None for _ in report.lobes), None, odd_lobes(report, DEFAULT_MODEL)
        )
    told = (found.candidates, found.not_in_catalogue_probability, found.conditions, found.odd)
    text = render_sheet(found.report, sent.unit, *told)
    return text, draw_sheet(found.report, sent.unit, found.conditions)

"""`lobedesk valve-timing`: timing read in an engine, worked out in the terminal."""

from __future__ import annotations

from typing import Any

from service.commands.stated import read_stated
from service.documents.valve_timing_words import render_timing
from service.domain.readings import LobeKind
from service.identification.bench.timing_sheet import work_timing_sheet_out
from service.identification.measuring.model import DEFAULT_MODEL
from service.web.api.valve_timing.schemas import TimingSchema


def timing_text(readings: tuple[str, ...], options: dict[str, Any]) -> str:
    """The sheet worked out, as text. Raises `InvalidInput` naming what cannot be read, as the API would."""
    sent: dict[str, Any] = {
        "unit": options["unit"],
        "checking_lift": options["checking_lift"],
        "at": options["at"],
        "readings": [_reading(text) for text in readings]
        + [_reading(text) | {"stated": True} for text in options["stated"]],
    }
    train = {name: options[name] for name in ("lift", "rocker_ratio", "lash") if options[name] is not None}
    sent["lobes"] = {kind.value: train for kind in LobeKind}
    if options["stop"] is not None:
        before, _, after = options["stop"].partition(",")
        sent["piston_stop"] = {"before": before.strip(), "after": after.strip()}
    if options["also_at"] is not None:
        lift, _, at = options["also_at"].partition("@")
        sent["also_at"] = {"checking_lift": lift, "at": at or options["at"]}
    return render_timing(work_timing_sheet_out(DEFAULT_MODEL, read_stated(TimingSchema(), sent)))


def _reading(text: str) -> dict[str, Any]:
    name, _, values = text.partition("=")
    return {"what": name.strip().replace("-", "_"), "values": [value.strip() for value in values.split(",")]}

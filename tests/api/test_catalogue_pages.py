"""A core's catalogue page to print, over HTTP and at the terminal."""

from __future__ import annotations

import io
from pathlib import Path

import pypdf
from click.testing import CliRunner

from service.cli import main
from service.settings import Settings
from tests.api.conftest import Caller

PATH = "/v1/catalogue/cores/LQ/page.pdf"


def text_of(pdf: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_a_core_s_page_has_every_grind_on_it_in_both_units(desk: Caller) -> None:
    response = desk.get(PATH)
    assert response.content_type == "application/pdf"
    printed = text_of(response.data)
    parts = desk.get("/v1/catalogue/parts?core=LQ&unit=mm&limit=100").get_json()["items"]
    assert len(parts) > 20
    for part in parts:
        assert part["part_number"] in printed
        for lobe in part["lobes"].values():
            assert lobe["lift"] in printed
            # the inch is 25.4 mm by definition
            assert f"{float(lobe['lift']) / 25.4:.4f}" in printed
            assert f"{float(lobe['lift']) + float(lobe['base_circle']):.3f}" in printed
    assert "Quoss metric single" in printed
    assert "25.000" in printed
    assert "0.9843" in printed
    assert "fit to run" in printed


def test_the_same_revision_gives_the_same_bytes_and_an_unknown_core_is_named_so(desk: Caller) -> None:
    first = desk.get(PATH)
    assert desk.get(PATH).data == first.data
    assert desk.get(PATH, If_None_Match=first.headers["ETag"]).status_code == 304
    assert desk.get("/v1/catalogue/cores/NONE/page.pdf").status_code == 404


def test_the_terminal_writes_the_same_page(api_settings: Settings, desk: Caller, tmp_path: Path) -> None:
    target = tmp_path / "lq.pdf"
    environment = {"LOBEDESK_DATABASE_URL": str(api_settings.database_url)}
    told = CliRunner().invoke(main, ["catalogue", "page", "LQ", str(target)], env=environment)
    assert told.exit_code == 0, told.output
    assert target.read_bytes() == desk.get(PATH).data


def test_a_target_that_cannot_be_written_is_named(api_settings: Settings, desk: Caller, tmp_path: Path) -> None:
    target = tmp_path / "none" / "lq.pdf"
    environment = {"LOBEDESK_DATABASE_URL": str(api_settings.database_url)}
    told = CliRunner().invoke(main, ["catalogue", "page", "LQ", str(target)], env=environment)
    assert (told.exit_code, told.output) == (1, f"lobedesk: {target}: No such file or directory.\n")


def test_a_page_is_read_and_never_written(desk: Caller) -> None:
    refused = desk.send("PUT", PATH)
    assert refused.status_code == 405
    assert "GET" in refused.headers["Allow"]

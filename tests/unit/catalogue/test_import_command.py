"""What `lobedesk catalogue import` says of a file that is none."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from service.cli import main


def test_a_fault_of_the_whole_file_has_a_subject(tmp_path: Path) -> None:
    file = tmp_path / "catalogue.xlsx"
    file.write_text("hello")
    done = CliRunner().invoke(main, ["catalogue", "import", str(file), "--dry-run"])
    assert done.exit_code == 1
    assert "  the file: is no workbook that can be read" in done.stderr

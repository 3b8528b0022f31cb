"""`deploy/demo`, started twice: what was done in it is there again."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]


def demonstrated(data: Path) -> str:
    """What the demonstration prints, having gone well."""
    environment = {name: value for name, value in os.environ.items() if not name.startswith("LOBEDESK_")}
    run = subprocess.run(
        [sys.executable, "deploy/demo.py", "--once"],
        cwd=ROOT,
        env=environment | {"LOBEDESK_DATA": str(data), "LOBEDESK_LOG_LEVEL": "warning", "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    return run.stdout


def test_a_second_start_leaves_the_catalogue_as_it_is_and_gives_keys_for_every_page() -> None:
    with tempfile.TemporaryDirectory(prefix="lobedesk-demo-") as folder:
        first, second = demonstrated(Path(folder)), demonstrated(Path(folder))

    assert "Catalogue revision 1," in first
    assert "Catalogue revision 1," in second
    for said in (first, second):
        assert set(re.findall(r"lobedesk_([a-z]+)_", said)) == {"desk", "admin", "widget"}

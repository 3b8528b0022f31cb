"""The supervisor by itself, over real processes."""

from __future__ import annotations

import subprocess
import sys
import textwrap
import time
from pathlib import Path

from tests.instances import CHECKOUT

SUPERVISED = """
    import pathlib, sys, time
    from service.serving.supervisor import Program, hold_signals, watch

    began = pathlib.Path(sys.argv[1])
    web = Program(["/bin/sleep", "60"], {})
    # At its first start it ends at once, afterwards it stays.
    once = f"echo x >> {began}; test $(wc -l < {began}) -gt 1 && exec sleep 60"
    helper = Program(["/bin/sh", "-c", once], {"PATH": "/usr/bin:/bin"})
    web.start()
    helper.start()
    while not helper.has_ended():
        time.sleep(0.01)
    hold_signals()
    code = watch(web, {"helper": helper})
    for program in (helper, web):
        program.stop()
    sys.exit(code)
"""


def test_a_helper_that_ended_while_the_rest_was_started_is_started_again(tmp_path: Path) -> None:
    began = tmp_path / "began"
    supervisor = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(SUPERVISED), str(began)],
        cwd=CHECKOUT,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline and not (began.exists() and began.read_text().count("x") == 2):
        time.sleep(0.05)
    supervisor.terminate()
    said, _ = supervisor.communicate(timeout=30)
    assert began.read_text().count("x") == 2, said
    assert supervisor.returncode == 0, said
    assert said.count("told to stop") == 1

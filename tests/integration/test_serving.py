"""The `lobedesk` command as people run it: processes, signals, and what is left afterwards."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path

import psycopg
import pytest

from service.adapters.embedded.postgres import EmbeddedPostgres
from tests.instances import CATALOGUE, CHECKOUT, LOBEDESK, lobedesk, started

Json = dict[str, object]


def processes_of(data: Path) -> list[str]:
    """The live processes that have the data folder in their arguments or in their environment."""
    found = []
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            state = (folder / "stat").read_text().rpartition(")")[2].split()[0]
            told = (folder / "cmdline").read_bytes() + (folder / "environ").read_bytes()
        except OSError:
            continue
        if state not in "ZX" and os.fsencode(data) in told:
            found.append(f"{folder.name} {(folder / 'cmdline').read_bytes()!r}")
    return found


def wait_for(condition: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + 60
    while not condition():
        assert time.monotonic() < deadline, f"waited in vain for {what}"
        time.sleep(0.05)


def get(url: str) -> tuple[int, Json]:
    try:
        with urllib.request.urlopen(url, timeout=30) as response:
            return response.status, json.load(response)
    except urllib.error.HTTPError as error:
        with error:
            return error.code, json.load(error)


class Serving:
    """A `lobedesk serve` of a test's own, in a session of its own."""

    def __init__(self, data: Path, *arguments: str) -> None:
        self.data = data
        whole = {"LOBEDESK_DATA": str(data), "TMPDIR": str(data.parent)}
        self.process, self.url = started([*LOBEDESK, "serve", *arguments], data.parent / "serve.log", **whole)

    def end(self, how: signal.Signals, *, group: bool = False) -> int:
        """Send a signal, to the process alone or as the terminal does to its whole group, and wait for the end."""
        (os.killpg if group else os.kill)(self.process.pid, how)
        self.process.communicate(timeout=60)
        return self.process.returncode


@pytest.fixture
def folder() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-serve-"))
    yield folder
    for process in processes_of(folder):
        os.kill(int(process.split()[0]), signal.SIGKILL)
    shutil.rmtree(folder)


def test_serve_answers_shares_its_stores_and_leaves_nothing_behind(folder: Path) -> None:
    data = folder / "data"
    serving = Serving(data)
    assert get(f"{serving.url}/healthz") == (200, {"status": "ok"})
    assert get(f"{serving.url}/readyz")[0] == 503

    imported = lobedesk("catalogue", "import", str(CATALOGUE), LOBEDESK_DATA=str(data))
    assert imported.stdout.endswith("active revision: 1\n"), imported.stderr
    assert get(f"{serving.url}/readyz")[0] == 200

    made = lobedesk("keys", "create", "--role", "desk", "--name", "front desk", LOBEDESK_DATA=str(data))
    key = made.stdout.splitlines()[-1]
    request = urllib.request.Request(f"{serving.url}/v1/reviews", headers={"Authorization": f"Bearer {key}"})
    with urllib.request.urlopen(request, timeout=30) as response:
        assert response.status == 200

    shown = lobedesk("status", LOBEDESK_DATA=str(data))
    assert shown.returncode == 0, shown.stdout
    assert "catalogue         revision 1" in shown.stdout

    second = lobedesk("serve", LOBEDESK_DATA=str(data))
    assert second.returncode == 1
    assert f"Process {serving.process.pid} runs the embedded stores" in second.stderr

    assert serving.end(signal.SIGTERM) == 0
    assert processes_of(data) == []
    assert lobedesk("status", LOBEDESK_DATA=str(data)).returncode == 1


def test_ctrl_c_at_the_terminal_ends_everything_in_good_order(folder: Path) -> None:
    serving = Serving(folder / "data")
    assert serving.end(signal.SIGINT, group=True) == 0
    assert processes_of(folder / "data") == []
    assert not (folder / "data" / "postgres" / "postmaster.pid").exists()


def test_nothing_outlives_a_serve_that_is_killed(folder: Path) -> None:
    serving = Serving(folder / "data")
    assert len(processes_of(folder / "data")) > 4
    serving.end(signal.SIGKILL)
    wait_for(lambda: processes_of(folder / "data") == [], "the end of every process")


@pytest.mark.long
def test_stores_that_die_under_a_serve_are_started_again(folder: Path) -> None:
    data = folder / "data"
    lobedesk("catalogue", "import", str(CATALOGUE), LOBEDESK_DATA=str(data))
    serving = Serving(data, "--no-worker")

    def parts() -> Json:
        found = get(f"{serving.url}/readyz")[1]["parts"]
        assert isinstance(found, dict)
        return found

    assert parts()["redis"] == "ok"
    for process in processes_of(data):
        if "valkey-server" in process:
            os.kill(int(process.split()[0]), signal.SIGKILL)
    status, found = get(f"{serving.url}/readyz")
    assert status == 200
    assert found["parts"] != {"postgres": "ok", "schema": "ok", "catalogue": "ok", "redis": "ok"}
    wait_for(lambda: parts()["redis"] == "ok", "the cache")

    os.kill(int((data / "postgres" / "postmaster.pid").read_text().split()[0]), signal.SIGKILL)
    wait_for(lambda: get(f"{serving.url}/readyz")[0] == 503, "the loss to be noticed")
    wait_for(lambda: get(f"{serving.url}/readyz")[0] == 200, "Postgres")
    assert serving.end(signal.SIGTERM) == 0


@pytest.mark.long
def test_a_serve_whose_web_server_ends_ends_too_and_says_so_by_its_code(folder: Path) -> None:
    serving = Serving(folder / "data", "--no-worker")
    for process in processes_of(folder / "data"):
        if "service.serving.web_server" in process:
            os.kill(int(process.split()[0]), signal.SIGKILL)
    serving.process.communicate(timeout=60)
    assert serving.process.returncode == 1
    wait_for(lambda: processes_of(folder / "data") == [], "the end of every process")


def test_a_port_that_is_taken_is_named_before_anything_is_started(folder: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = lobedesk("serve", "--port", port, LOBEDESK_DATA=str(folder / "data"))
    assert done.returncode == 1
    assert done.stderr == f"lobedesk: Cannot listen on 127.0.0.1, port {port}: Address already in use.\n"
    assert not (folder / "data").exists()


def test_no_traffic_is_taken_before_the_schema_of_a_given_database_is_at_head(
    empty_database_url: str, redis_url: str, folder: Path
) -> None:
    url = as_url(empty_database_url)
    settings = {"LOBEDESK_DATABASE_URL": url, "LOBEDESK_REDIS_URL": redis_url, "LOBEDESK_DATA": str(folder / "data")}
    for command in (["serve"], ["worker"], ["keys", "create", "--role", "desk", "--name", "x"]):
        done = lobedesk(*command, **settings)
        assert done.returncode == 1
        assert "run `lobedesk migrate`" in done.stderr
    assert lobedesk("migrate", **settings).stdout.startswith("schema from nothing to ")
    assert lobedesk("migrate", **settings).stdout.startswith("schema at ")
    assert lobedesk("keys", "create", "--role", "desk", "--name", "x", **settings).returncode == 0
    assert not (folder / "data").exists()


def test_a_database_that_cannot_be_reached_is_said_to_be_so(folder: Path) -> None:
    done = lobedesk("migrate", LOBEDESK_DATABASE_URL="postgresql://127.0.0.1:1/none", LOBEDESK_DATA=str(folder / "d"))
    assert done.returncode == 1
    assert done.stderr.startswith("lobedesk: Postgres cannot be reached: ")
    assert "Traceback" not in done.stderr


def test_a_setting_that_cannot_be_read_is_named_and_stops_everything(folder: Path) -> None:
    done = lobedesk("status", LOBEDESK_THREADS="many", LOBEDESK_DATA=str(folder / "data"))
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == "lobedesk: LOBEDESK_THREADS is not a whole number from 1 to 64\n"


@pytest.mark.parametrize("command", ["serve", "worker"])
def test_a_misspelt_setting_is_told_at_the_start(command: str, folder: Path) -> None:
    away = {"LOBEDESK_DATABASE_URL": "postgresql://127.0.0.1:1/none", "LOBEDESK_DATA": str(folder / "data")}
    done = lobedesk(command, LOBEDESK_WORKER="3", LOBEDESK_HTTP_PORT="0", **away)
    told, *_ = done.stderr.splitlines()
    assert (json.loads(told)["level"], json.loads(told)["variable"]) == ("warning", "LOBEDESK_WORKER")


def test_a_catalogue_with_bad_rows_is_refused_whole_with_every_row_named(folder: Path) -> None:
    rows = folder / "rows"
    shutil.copytree(CHECKOUT / "fixtures" / "catalogue", rows)
    lines = (rows / "parts.csv").read_text().splitlines()
    lines[3] = lines[3].replace(lines[3].split(",")[0], "", 1)
    lines[5] = lines[5].replace(lines[5].split(",")[1], "NOCORE", 1)
    (rows / "parts.csv").write_text("\n".join(lines) + "\n")
    done = lobedesk("catalogue", "import", str(rows), "--dry-run", LOBEDESK_DATA=str(folder / "data"))
    assert done.returncode == 1
    assert "parts.csv:4:" in done.stderr
    assert "parts.csv:6:" in done.stderr
    assert not (folder / "data").exists()


def test_a_dry_run_reports_and_starts_nothing(folder: Path) -> None:
    done = lobedesk("catalogue", "import", str(CATALOGUE), "--dry-run", LOBEDESK_DATA=str(folder / "data"))
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("nothing was changed\n")
    assert not (folder / "data").exists()


def as_url(conninfo: str) -> str:
    """A conninfo as the URL that the setting takes."""
    parts = psycopg.conninfo.conninfo_to_dict(conninfo)
    server = EmbeddedPostgres(Path("/unused"), Path(str(parts["host"])))
    return server.url(str(parts["dbname"]))

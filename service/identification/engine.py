"""Readings in, the identification out: the one function the rest of the service calls."""

from __future__ import annotations

from service.domain.identification import Identification
from service.domain.readings import Submission
from service.identification.decision import DEFAULT_LOSSES, Losses
from service.identification.measuring import DEFAULT_MODEL, MeasuringModel
from service.identification.table import CatalogueTable

ENGINE_VERSION = "1.0"


def identify(
    table: CatalogueTable,
    submission: Submission,
    model: MeasuringModel = DEFAULT_MODEL,
    losses: Losses = DEFAULT_LOSSES,
    *,
    explain: bool = True,
) -> Identification:
    """What `submission` says of the parts in `table`."""
    raise NotImplementedError

"""An answer to readings that are still being taken: nothing is kept, so nobody's queue grows while somebody types."""

from __future__ import annotations

from service.domain.readings import Submission
from service.workflows.identifying.answering import Answered, Answering
from service.workflows.ports.stores import Stores


def preview(stores: Stores, answering: Answering, submission: Submission) -> Answered:
    """What the readings say so far."""
    return answering.now(stores, submission)

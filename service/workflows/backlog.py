"""What waits to be done, for whoever watches over the service."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.errors import Unavailable
from service.workflows.ports import Stores
from service.workflows.review_ports import Unsettled
from service.workflows.sending_ports import Unsent


@dataclass(frozen=True)
class Backlog:
    """Reviews nobody has settled, messages that have not left the house, and the catalogue's revision in use."""

    reviews: tuple[Unsettled, ...]
    messages: tuple[Unsent, ...]
    catalogue_revision: int | None


def backlog(stores: Stores) -> Backlog | None:
    """What waits now; None while the database is away."""
    try:
        with stores.transaction() as transaction:
            return Backlog(
                transaction.reviews.unsettled(), transaction.outbox.unsent(), transaction.catalogue.active_revision()
            )
    except Unavailable:
        return None

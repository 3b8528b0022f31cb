"""What waits to be done, for whoever watches over the service."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.errors import Unavailable
from service.workflows.ports.reviews import Unsettled
from service.workflows.ports.sending import Unsent
from service.workflows.ports.stores import Stores


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

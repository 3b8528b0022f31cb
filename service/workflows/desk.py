"""What every face of the service is handed: where transactions come from, and how answers are made."""

from __future__ import annotations

from dataclasses import dataclass

from service.workflows.answering import Answering
from service.workflows.ports import Stores


@dataclass(frozen=True)
class Desk:
    """One process's desk."""

    stores: Stores
    answering: Answering

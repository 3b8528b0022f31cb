"""What every face of the service is handed: where transactions come from, how answers are made, what looks
alike, and the desk's own rules."""

from __future__ import annotations

from dataclasses import dataclass

from service.domain.casework import DEFAULT_RETENTION, DEFAULT_RULES, CaseworkRules, Retention
from service.domain.mail_in import DEFAULT_PATIENCE, Patience
from service.workflows.catalogue.look_alike_maps import LookAlikeMap
from service.workflows.identifying.answering import Answering
from service.workflows.ports.stores import Stores
from service.workflows.sending.letters import PLAIN_STATIONERY, Stationery


@dataclass(frozen=True)
class Desk:
    """One process's desk."""

    stores: Stores
    answering: Answering
    look_alikes: LookAlikeMap
    rules: CaseworkRules = DEFAULT_RULES
    stationery: Stationery = PLAIN_STATIONERY
    private_webhooks: bool = False
    patience: Patience = DEFAULT_PATIENCE
    retention: Retention = DEFAULT_RETENTION

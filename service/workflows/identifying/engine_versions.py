"""The engine's versions: what they are called, and what each answers by."""

from __future__ import annotations

from service.domain.errors import NotFound
from service.identification.engine import ENGINE_VERSION
from service.identification.learning.demand import NOTHING_LEARNED, Demand
from service.identification.measuring.model import DEFAULT_MODEL, MeasuringModel
from service.workflows.ports.engine import Version
from service.workflows.ports.stores import Transaction


def version_named(name: str | None) -> str:
    """The engine's version as answers name it: the code's, and after a plus sign that of constants that are refitted.

    "1.1" is the code 1.1 under its own constants, "1.1+c2" the same code under the second refit.
    """
    return ENGINE_VERSION if name is None else f"{ENGINE_VERSION}+{name}"


def constants_named(engine_version: str) -> str | None:
    """The name of the constants in a version as answers name it; None for the code's own."""
    _, plus, name = engine_version.partition("+")
    return name if plus else None


def constants_of(transaction: Transaction, name: str | None) -> MeasuringModel:
    """The constants of a version; raises `NotFound`."""
    return answers_by(version_of(transaction, name))[0]


def version_of(transaction: Transaction, name: str | None) -> Version | None:
    """A version by its name, None for the code's own; raises `NotFound`."""
    version = None if name is None else transaction.engine_versions.find(name)
    if name is not None and version is None:
        raise NotFound(f"There is no engine version {name}.")
    return version


def answers_by(version: Version | None) -> tuple[MeasuringModel, Demand]:
    """The constants of a version, and what it learned of the parts' shares of callers."""
    return (DEFAULT_MODEL, NOTHING_LEARNED) if version is None else (version.model, version.demand)

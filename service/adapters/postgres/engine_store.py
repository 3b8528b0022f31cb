"""The engine's versions in Postgres, where a trigger refuses every change of what one says."""

from __future__ import annotations

from typing import Any

from psycopg.types.json import Jsonb

from service.adapters.postgres.connection import Connection
from service.adapters.postgres.queries import Queries
from service.adapters.stored_constants import (
    constants_from_stored,
    constants_to_stored,
    demand_from_stored,
    demand_to_stored,
)
from service.identification.engine import ENGINE_VERSION
from service.identification.learning.calibration import Refit
from service.workflows.ports.engine import NewVersion, Version

QUERIES = Queries("engine_versions")


class EngineVersionStore:
    """Satisfies `service.workflows.ports.engine.EngineVersionStore`."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection

    def active(self) -> str | None:
        """The name of the version in use; None while that is the code's own constants."""
        row = self._connection.execute(QUERIES["active"]).fetchone()
        return None if row is None else str(row["name"])

    def find(self, name: str) -> Version | None:
        """One version."""
        row = self._connection.execute(QUERIES["find"], {"name": name}).fetchone()
        return None if row is None else _version_of(row)

    def all(self) -> tuple[Version, ...]:
        """Every version, newest first."""
        return tuple(_version_of(row) for row in self._connection.execute(QUERIES["all"]))

    def add(self, version: NewVersion) -> str:
        """Keep a version, not in use yet; returns its name."""
        self._connection.execute(QUERIES["take_turns"])
        values = {
            "code_version": ENGINE_VERSION,
            "constants": Jsonb(constants_to_stored(version.model)),
            "factors": Jsonb([{"name": f.name, "factor": f.factor, "log_sd": f.log_sd} for f in version.factors]),
            "catalogue_revision": version.catalogue_revision,
            "cases": list(version.cases),
            "fitted": version.fitted,
            "held_out": version.held_out,
            "score_before": version.score_before,
            "score_after": version.score_after,
            "made_by": version.made_by,
            "demand": Jsonb(demand_to_stored(version.demand)),
        }
        row = self._connection.execute(QUERIES["add"], values).fetchone()
        if row is None:
            raise RuntimeError("a version was kept and has no name")
        return str(row["name"])

    def activate(self, name: str | None) -> bool:
        """Put a version to use, or the code's own constants; False where there is none of that name."""
        self._connection.execute(QUERIES["take_turns"])
        self._connection.execute(QUERIES["retire"])
        return name is None or self._connection.execute(QUERIES["activate"], {"name": name}).fetchone() is not None


def _version_of(row: dict[str, Any]) -> Version:
    return Version(
        model=constants_from_stored(row["constants"]),
        factors=tuple(Refit(**one) for one in row["factors"]),
        catalogue_revision=row["catalogue_revision"],
        cases=tuple(row["cases"]),
        fitted=row["fitted"],
        held_out=row["held_out"],
        score_before=row["score_before"],
        score_after=row["score_after"],
        made_by=row["made_by"],
        demand=demand_from_stored(row["demand"]),
        name=row["name"],
        code_version=row["code_version"],
        made_at=row["made_at"],
        active=row["active"],
    )

"""Readings that are linear in a few unknowns: the unknowns by least squares, and which readings cannot hold together.

    reading_i = offset_i + row_i . x + error_i,    error_i ~ Normal(0, sd_i)

Each reading's misfit is judged beside what the others leave of it (Baarda, "A testing procedure for use in geodetic
networks", 1968; the formulas from memory): with R the matrix that makes misfits v of errors, w_i = v_i / (sd_i
sqrt(R_ii)) is a standard normal, and v_i / R_ii is by how much reading i is off if it alone is. Readings whose misfits
go up and down together cannot be told apart: then all of them are named.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Floats
from service.lobe.figures import Figure

BEYOND_CHANCE = 3.29
"""A standard normal lies further out once in a thousand times."""
_ALIKE = 0.999
_LEAST_REDUNDANCY = 1e-6


@dataclass(frozen=True)
class Observation:
    """One reading: `value` = `offset` + `row` . x, give or take `sd`."""

    row: tuple[float, ...]
    value: float
    sd: float
    offset: float = 0.0


@dataclass(frozen=True)
class Conflict:
    """Readings of which at least one is wrong. `off_by` says for each by how much it is off if it alone is."""

    members: tuple[int, ...]
    off_by: tuple[float, ...]
    misfit: float


@dataclass(frozen=True, eq=False)
class Adjusted:
    """The unknowns as far as the readings tell: `known` projects on what they tell of."""

    values: Floats
    covariance: Floats
    known: Floats
    conflicts: tuple[Conflict, ...]

    def figure(self, row: Sequence[float], offset: float = 0.0) -> Figure | None:
        """A figure linear in the unknowns; None where the readings do not tell it."""
        wanted = np.asarray(row, float)
        if np.linalg.norm(wanted - self.known @ wanted) > 1e-6 * max(float(np.linalg.norm(wanted)), 1e-12):
            return None
        variance = float(wanted @ self.covariance @ wanted)
        return Figure(offset + float(wanted @ self.values), math.sqrt(max(variance, 0.0)))


def adjust(observations: Sequence[Observation]) -> Adjusted:
    """Solve, and name what cannot hold together. A reading found wrong alone is left out of the solution."""
    left = list(range(len(observations)))
    conflicts: list[Conflict] = []
    while True:
        solution, conflict = _solve(observations, left)
        if conflict is None:
            break
        conflicts.append(conflict)
        if len(conflict.members) > 1:  # nobody can say which: they all stay
            break
        left.remove(conflict.members[0])
    return Adjusted(*solution, tuple(conflicts))


def _solve(
    observations: Sequence[Observation], left: list[int]
) -> tuple[tuple[Floats, Floats, Floats], Conflict | None]:
    sds = np.array([observations[i].sd for i in left])
    rows = np.array([observations[i].row for i in left]) / sds[:, None]
    values = np.array([observations[i].value - observations[i].offset for i in left]) / sds
    inverse = np.linalg.pinv(rows, rcond=1e-9)
    x = inverse @ values
    misfit = values - rows @ x
    redundancy = np.eye(len(left)) - rows @ inverse
    share = np.diag(redundancy)
    controlled = share > _LEAST_REDUNDANCY
    w = np.where(controlled, np.abs(misfit) / np.sqrt(np.where(controlled, share, 1.0)), 0.0)
    solution = x, inverse @ inverse.T, inverse @ rows
    worst = int(w.argmax())
    if w[worst] <= BEYOND_CHANCE:
        return solution, None
    alike = [
        j for j in np.flatnonzero(controlled) if abs(redundancy[worst, j]) > _ALIKE * math.sqrt(share[worst] * share[j])
    ]
    return solution, Conflict(
        tuple(left[j] for j in alike),
        tuple(float(misfit[j] / share[j] * sds[j]) for j in alike),
        float(w[worst]),
    )

"""A lift table as it came from a bench, and what no table can be: every refusal names its row."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.domain.arrays import Floats
from service.domain.errors import Fault, InvalidInput
from service.domain.readings import Degrees
from service.lobe.timing import CAM_TURN_DEG, CRANK_DEG_PER_CAM_DEG

FEWEST_ROWS = 12
MOST_ROWS = 7200
LARGEST_LIFT_MM = 40.0
SMALLEST_LIFT_MM = 0.5
MOST_TURNS = 20


class BadTable(InvalidInput):
    """This lift table cannot be worked out; each fault names its row."""

    code = "bad_lift_table"

    def under(self, pointer: str) -> BadTable:
        """The same refusal, its pointers below `pointer`."""
        return BadTable(self.message, tuple(Fault(pointer + fault.pointer, fault.detail) for fault in self.faults))


def bad(detail: str, row: int | None = None, column: int | None = None) -> BadTable:
    """A refusal of one row (from 0), or one value of it, or of the table as a whole."""
    pointer = "/table" + ("" if row is None else f"/{row}") + ("" if column is None else f"/{column}")
    return BadTable(faults=(Fault(pointer, detail),))


@dataclass(frozen=True, eq=False)
class RawTable:
    """Rows in the order they were taken: the angle as written, in `degrees`, and the lift in mm.

    `rising` says that the angle grows as the shaft turns the way it runs; so the flank met first is the opening one.
    """

    angle_deg: Floats
    lift_mm: Floats
    degrees: Degrees = Degrees.CAM
    rising: bool = True

    @property
    def cam_deg(self) -> Floats:
        """Cam degrees in the direction the shaft turns, not yet wrapped."""
        scale = CRANK_DEG_PER_CAM_DEG if self.degrees is Degrees.CRANK else 1.0
        return np.asarray(self.angle_deg / scale if self.rising else -self.angle_deg / scale)

    @property
    def written_step_mm(self) -> float:
        """The step the lifts were written to: the least difference between two of them."""
        steps = np.diff(np.unique(np.round(self.lift_mm, 7)))
        return float(steps.min()) if steps.size else 0.0

    def own_angle(self, cam_deg: float) -> float:
        """A cam angle of `cam_deg`'s scale on the table's own scale, within a turn of it from 0."""
        scale = CRANK_DEG_PER_CAM_DEG if self.degrees is Degrees.CRANK else 1.0
        own = (cam_deg if self.rising else -cam_deg) * scale
        turn = CAM_TURN_DEG * scale
        if self.angle_deg.min() < 0:  # a table that runs from minus to plus answers likewise
            return float((own + turn / 2) % turn - turn / 2)
        return float(own % turn)

    def own_sd(self, cam_deg: float) -> float:
        """A small difference of cam degrees, in the table's own degrees."""
        return cam_deg * (CRANK_DEG_PER_CAM_DEG if self.degrees is Degrees.CRANK else 1.0)


def check_table(table: RawTable) -> None:
    """Raise `BadTable` for what no lobe's table can be, before anything is fitted."""
    angles, lifts = table.angle_deg, table.lift_mm
    if angles.size != lifts.size:
        raise bad("must have as many lifts as angles")
    if angles.size > MOST_ROWS:
        raise bad(f"has {angles.size} rows; at most {MOST_ROWS} are taken", MOST_ROWS)
    if angles.size < FEWEST_ROWS:
        raise bad(f"has {angles.size} rows; at least {FEWEST_ROWS} are needed", max(angles.size - 1, 0))
    for values, column, what in ((angles, 0, "angle"), (lifts, 1, "lift")):
        wrong = np.flatnonzero(~np.isfinite(values))
        if wrong.size:
            raise bad(f"the {what} is not a number", int(wrong[0]), column)
    far = np.flatnonzero(np.abs(table.cam_deg) > MOST_TURNS * CAM_TURN_DEG)
    if far.size:
        raise bad(f"the angle lies more than {MOST_TURNS} turns away", int(far[0]), 0)
    if np.unique(np.round(table.cam_deg % CAM_TURN_DEG, 4)).size < FEWEST_ROWS:
        raise bad(f"has fewer than {FEWEST_ROWS} different angles")
    spread = float(np.subtract(*np.percentile(lifts, [100, 1])))
    if spread > LARGEST_LIFT_MM:
        raise bad(f"makes a lobe of {spread:.1f} mm lift; is the unit right?", int(lifts.argmax()), 1)
    if spread < SMALLEST_LIFT_MM:
        raise bad(f"rises by {spread:.3f} mm in all; is the unit right?", int(lifts.argmax()), 1)

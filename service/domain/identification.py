"""What an identification says: the words of the answer, with lengths in millimetres and weights in bits.

The faces turn these into JSON, pages and charts; the numbers are decided in `service/identification`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from service.domain.readings import Degrees, Instrument, LobeKind, Position, Reading
from service.domain.units import LengthUnit


class AnswerState(StrEnum):
    """What the desk can say."""

    IDENTIFIED = "identified"
    AMBIGUOUS = "ambiguous"
    NOT_IN_CATALOGUE = "not_in_catalogue"
    MORE_READINGS_NEEDED = "more_readings_needed"


class Slip(StrEnum):
    """A structured mistake that explains a submission as a whole."""

    HEIGHT_BASE_SWAPPED = "height_base_swapped"
    LOBES_SWAPPED = "lobes_swapped"
    DIGITS_SWAPPED = "digits_swapped"
    DECIMAL_SLIPPED = "decimal_slipped"
    UNIT_MISTAKEN = "unit_mistaken"
    VALVE_LIFT_AS_LOBE_LIFT = "valve_lift_as_lobe_lift"
    CAM_AS_CRANK_DEGREES = "cam_as_crank_degrees"
    OTHER_CHECKING_LIFT = "other_checking_lift"
    JOURNAL_MISREAD = "journal_misread"


@dataclass(frozen=True)
class Evidence:
    """One reading's weight for a candidate against its runner-up.

    `pointer` is a JSON Pointer into the submission (`/readings/1`, `/counts/gear_teeth`, `/engine_family`), or
    `prior` for what was believed before any reading. `measured`, `expected` and `difference` (measured minus
    expected) are in the reading's own kind: millimetres for a length (`is_length`), degrees as the caller gave
    them for an angle, a plain number for a count; None where there is nothing to compare.
    `expected_spread` is the standard deviation a reading of this kind is expected to have about `expected`.
    """

    pointer: str
    bits: float
    is_length: bool = True
    measured: float | None = None
    expected: float | None = None
    difference: float | None = None
    expected_spread: float | None = None


@dataclass(frozen=True)
class Candidate:
    """One class of part numbers that are one and the same grind on one core; `part_number` is the current one."""

    part_number: str
    same_as: tuple[str, ...]
    core: str
    probability: float
    reground_probability: float
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True)
class BudgetComponent:
    """One line of an uncertainty budget after JCGM 100: its share of the combined standard uncertainty."""

    component: str
    standard_uncertainty: float


@dataclass(frozen=True)
class Derived:
    """A quantity worked out from the readings, with its uncertainty.

    `value` is the plain difference a caller can check on a calculator; `corrected` takes the known one-sided
    errors out; `interval` holds the true value 95 times in 100. Millimetres, or degrees where `is_length` is False.
    """

    quantity: str
    lobe: LobeKind | None
    value: float
    corrected: float
    standard_uncertainty: float
    interval: tuple[float, float]
    budget: tuple[BudgetComponent, ...]
    cylinder: int | None = None
    is_length: bool = True

    @property
    def can_be(self) -> bool:
        """Whether a shaft can have it: a nose that does not stand out from its heel is a slip in a reading, no lift."""
        return self.quantity != "lobe_lift" or min(self.value, self.corrected) > 0


@dataclass(frozen=True)
class SuspectedSlip:
    """A slip that the readings as a whole point to, and where.

    `meant` is what the readings at some places of the submission would be without it, `meant_unit` the unit they would
    be in; both empty where the only remedy is to read again.
    """

    slip: Slip
    pointer: str
    probability: float
    message: str
    meant: tuple[tuple[int, Reading], ...] = ()
    meant_unit: LengthUnit | None = None


@dataclass(frozen=True)
class NextReading:
    """The one reading worth asking for next, with what it is expected to tell and the words to say."""

    feature: str
    instrument: Instrument | None
    expected_bits: float
    message: str
    lobe: LobeKind | None = None
    cylinder: int | None = None
    position: Position | None = None
    checking_lift_mm: float | None = None
    degrees: Degrees | None = None


@dataclass(frozen=True)
class Advice:
    """Something the person should know; `code` is stable, `message` is for reading aloud."""

    code: str
    message: str
    pointer: str | None = None


@dataclass(frozen=True)
class Identification:
    """The whole answer to one submission under one catalogue revision and one engine version.

    `candidates` come best first. The candidates' probabilities, `not_in_catalogue_probability` and
    `left_off_probability` (parts not listed) sum to one. `credible_set` names the classes that together hold the
    credible level. `ask_cheaply` is True while a reading that is cheap to take would still help.
    """

    state: AnswerState
    candidates: tuple[Candidate, ...]
    not_in_catalogue_probability: float
    left_off_probability: float
    credible_set: tuple[str, ...]
    derived: tuple[Derived, ...]
    suspected_slips: tuple[SuspectedSlip, ...]
    next_reading: NextReading | None
    advice: tuple[Advice, ...]
    ask_cheaply: bool
    engine_version: str

    @property
    def leading_core(self) -> str | None:
        """The core of the best candidate: what a person should know who looks at the case. None without any."""
        return self.candidates[0].core if self.candidates else None

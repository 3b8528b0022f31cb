"""What a caller measured: features, instruments, readings, and the submission that carries them.

Values keep what was *written* (a decimal and how many decimals it showed), because 1.11 is not 1.110.
A reading's lengths are in its submission's unit; `Submission.unit` says which. Nothing here judges a value.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from service.domain.units import LengthUnit


class Feature(StrEnum):
    """What can be read on a shaft."""

    JOURNAL_DIAMETER = "journal_diameter"
    LOBE_HEIGHT = "lobe_height"
    BASE_CIRCLE = "base_circle"
    FLANK_WIDTH = "flank_width"
    LOBE_LIFT = "lobe_lift"
    VALVE_LIFT = "valve_lift"
    DURATION = "duration"
    VALVE_EVENT = "valve_event"
    LOBE_SEPARATION = "lobe_separation"
    OVERALL_LENGTH = "overall_length"
    ZERO_CHECK = "zero_check"

    @property
    def is_angle(self) -> bool:
        """True where the values are degrees, not lengths."""
        return self in (Feature.DURATION, Feature.VALVE_EVENT, Feature.LOBE_SEPARATION)


class Instrument(StrEnum):
    """The tool a reading was taken with."""

    DIGITAL_CALIPER = "digital_caliper"
    DIAL_CALIPER = "dial_caliper"
    VERNIER_CALIPER = "vernier_caliper"
    OUTSIDE_MICROMETER = "outside_micrometer"
    DIAL_INDICATOR = "dial_indicator"
    DEGREE_WHEEL = "degree_wheel"
    PROTRACTOR = "protractor"
    BENCH = "bench"


class LobeKind(StrEnum):
    """Which valve a lobe works."""

    INTAKE = "intake"
    EXHAUST = "exhaust"

    @property
    def other(self) -> LobeKind:
        """The lobe people take it for."""
        return LobeKind.EXHAUST if self is LobeKind.INTAKE else LobeKind.INTAKE


class Position(StrEnum):
    """Which journal, counted from the gear end as the front."""

    FRONT = "front"
    MIDDLE = "middle"
    REAR = "rear"


class Source(StrEnum):
    """How a submission reached the desk."""

    PHONE = "phone"
    COUNTER = "counter"
    WEB = "web"
    MAIL_IN = "mail_in"


class Experience(StrEnum):
    """How used to measuring the person is."""

    FIRST_TIME = "first_time"
    PRACTISED = "practised"


class Condition(StrEnum):
    """Whether the shaft has run."""

    NEW = "new"
    USED = "used"


class Degrees(StrEnum):
    """Whose degrees an angle is given in; a crankshaft turns twice for one turn of the cam."""

    CRANK = "crank"
    CAM = "cam"


class At(StrEnum):
    """Where a checking lift is measured."""

    LOBE = "lobe"
    VALVE = "valve"


class Event(StrEnum):
    """A moment of valve timing."""

    INTAKE_OPENS = "intake_opens"
    INTAKE_CLOSES = "intake_closes"
    EXHAUST_OPENS = "exhaust_opens"
    EXHAUST_CLOSES = "exhaust_closes"


MOST_READINGS = 60
"""A submission holds at most this many entries."""

MOST_REPEATS = 50
"""An entry holds at most this many repeats."""

_DECIMAL = re.compile(r"[+-]?\d{1,6}(\.\d{1,8})?|[+-]?\.\d{1,8}", re.ASCII)


@dataclass(frozen=True)
class Written:
    """A value as it was written down.

    `decimals` is how many decimals the caller showed, or None when the value came as a JSON number, whose
    trailing zeros are lost and which therefore says nothing of how finely it was read.
    """

    value: Decimal
    decimals: int | None = None

    @classmethod
    def parse(cls, text: str) -> Written:
        """Read a plain decimal string such as `"0.7500"`; raises ValueError for anything else."""
        if not _DECIMAL.fullmatch(text):
            raise ValueError("not a plain decimal of at most 6 digits before and 8 after the point")
        return cls(Decimal(text), len(text.partition(".")[2]))

    def __str__(self) -> str:
        if self.decimals is None:
            return format(self.value.normalize(), "f")
        return f"{self.value:.{self.decimals}f}"


DEFAULT_INCLUDED_ANGLE = Decimal(90)
"""Cam degrees between the two places of a flank width where nobody says otherwise: a square is at hand everywhere."""


@dataclass(frozen=True)
class Reading:
    """One entry of a submission: one feature, one tool, one or more repeats (`values`), in the submission's unit.

    Only the qualifiers of its feature are set: `position` for a journal, `lobe` (and `cylinder`, from the
    front) for what is of a lobe, `rocker_ratio` and `lash` for a valve lift, `checking_lift`, `degrees` and
    `at` for timing, `included_angle_deg` and `flank` for a flank width, `reference` for a zero check.
    """

    feature: Feature
    values: tuple[Written, ...]
    instrument: Instrument | None = None
    position: Position | None = None
    lobe: LobeKind | None = None
    cylinder: int | None = None
    rocker_ratio: Decimal | None = None
    lash: Decimal | None = None
    checking_lift: Decimal | None = None
    degrees: Degrees | None = None
    at: At | None = None
    event: Event | None = None
    included_angle_deg: Decimal | None = None
    flank: str | None = None
    reference: Decimal | None = None

    @property
    def mean(self) -> Decimal:
        """The mean of the repeats, in the submission's unit."""
        return sum((w.value for w in self.values), Decimal(0)) / len(self.values)


@dataclass(frozen=True)
class Marking:
    """Something cast, stamped or etched on the shaft: kept for the desk, never evidence, never searched by."""

    place: str
    text: str


@dataclass(frozen=True)
class Contact:
    """Whom to answer."""

    name: str | None = None
    email: str | None = None
    phone: str | None = None


@dataclass(frozen=True)
class Submission:
    """Everything one caller has told us of one shaft. `readings` keep their order: evidence points into it."""

    source: Source
    unit: LengthUnit
    readings: tuple[Reading, ...]
    instrument: Instrument | None = None
    experience: Experience | None = None
    condition: Condition | None = None
    engine_family: str | None = None
    gear_teeth: int | None = None
    markings: tuple[Marking, ...] = ()
    tools: tuple[Instrument, ...] | None = None
    ask_person: bool = False
    contact: Contact | None = None
    note: str | None = None

    def instrument_of(self, reading: Reading) -> Instrument:
        """The tool of one reading: its own; else the submission's where that tool can take it; else the usual one."""
        if reading.instrument is not None:
            return reading.instrument
        if self.instrument is not None and self.instrument in TOOLS_FOR[reading.feature]:
            return self.instrument
        return TOOLS_FOR[reading.feature][0]


_WIDTH_TOOLS = (
    Instrument.DIGITAL_CALIPER,
    Instrument.DIAL_CALIPER,
    Instrument.VERNIER_CALIPER,
    Instrument.OUTSIDE_MICROMETER,
    Instrument.BENCH,
)

TOOLS_FOR: dict[Feature, tuple[Instrument, ...]] = {
    Feature.JOURNAL_DIAMETER: _WIDTH_TOOLS,
    Feature.LOBE_HEIGHT: _WIDTH_TOOLS,
    Feature.BASE_CIRCLE: _WIDTH_TOOLS,
    Feature.FLANK_WIDTH: _WIDTH_TOOLS,
    Feature.LOBE_LIFT: (Instrument.DIAL_INDICATOR, *_WIDTH_TOOLS),
    Feature.VALVE_LIFT: (Instrument.DIAL_INDICATOR, *_WIDTH_TOOLS),
    Feature.DURATION: (Instrument.DEGREE_WHEEL, Instrument.PROTRACTOR, Instrument.BENCH),
    Feature.VALVE_EVENT: (Instrument.DEGREE_WHEEL, Instrument.PROTRACTOR, Instrument.BENCH),
    Feature.LOBE_SEPARATION: (Instrument.DEGREE_WHEEL, Instrument.PROTRACTOR, Instrument.BENCH),
    Feature.OVERALL_LENGTH: _WIDTH_TOOLS,
    Feature.ZERO_CHECK: (*_WIDTH_TOOLS, Instrument.DIAL_INDICATOR),
}
"""Which tools can take a feature, the one assumed when nobody said first (common practice, no source)."""

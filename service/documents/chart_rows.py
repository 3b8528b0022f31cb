"""What a chart of readings against candidates shows, before any of it is drawn: groups of rows of lanes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from service.documents.words import figure, signed, subject, taken, which_lobe
from service.domain.identification import Candidate, Evidence, Identification
from service.domain.readings import Feature, LobeKind, Reading, Submission

MOST_CANDIDATES = 4
"""As many as there are marks that are told apart at a glance."""

NINETY_FIVE = 1.959964
"""Standard deviations either side that hold 95 of 100 (the normal's 97.5th percentile)."""

_SAME = 1e-6  # mm or degrees


@dataclass(frozen=True)
class Lane:
    """One candidate beside one reading.

    `place` is how far the expected size lies from the measured one, in standard deviations of such a reading
    (positive: expected is larger); None where the catalogue states nothing or no spread is known. `read_as` is set
    where this candidate takes the reading for another figure than the one written down (a suspected slip).
    """

    candidate: int
    expected: str | None
    difference: str | None
    place: float | None
    read_as: str | None = None

    @property
    def fits(self) -> bool:
        """Whether the expected size lies inside the reading's 95 % whisker."""
        return self.place is not None and abs(self.place) <= NINETY_FIVE


@dataclass(frozen=True)
class Row:
    """One reading: what it is of, how it was taken, its figure, and a lane for each candidate.

    `verb` is "measured" or "counted"; `whisker` half the length that holds 95 of 100 such readings.
    """

    label: str
    taken: str
    verb: str
    measured: str
    whisker: str | None
    lanes: tuple[Lane, ...]


@dataclass(frozen=True)
class RowGroup:
    """Rows of one part of the shaft under its heading."""

    heading: str
    rows: tuple[Row, ...]


def leading(identification: Identification) -> tuple[Candidate, ...]:
    """The candidates a chart has marks for, best first."""
    return identification.candidates[:MOST_CANDIDATES]


def grouped_rows(submission: Submission, identification: Identification) -> tuple[RowGroup, ...]:
    """Every reading by the part of the shaft it is of, in the order of the shaft; then what was counted."""
    evidence = [{row.pointer: row for row in candidate.evidence} for candidate in leading(identification)]
    groups: dict[tuple[int, str], list[Row]] = {}
    for index, reading in sorted(enumerate(submission.readings), key=lambda item: _order(item[1], item[0])):
        row = _row(reading, submission, [rows.get(f"/readings/{index}") for rows in evidence])
        groups.setdefault(_group(reading), []).append(row)
    for row in _counted(submission, [rows.get("/counts/gear_teeth") for rows in evidence]):
        groups.setdefault((3, "Counted"), []).append(row)
    return tuple(RowGroup(heading, tuple(rows)) for (_, heading), rows in sorted(groups.items(), key=lambda g: g[0][0]))


def _group(reading: Reading) -> tuple[int, str]:
    if reading.feature is Feature.JOURNAL_DIAMETER:
        return 0, "Journals"
    if reading.lobe is not None:
        return 1, which_lobe(reading.lobe, reading.cylinder).capitalize()
    return 2, "Whole shaft and tools"


def _order(reading: Reading, index: int) -> tuple[int, int, int, int]:
    """By cylinder, lobe and feature, and as sent where those are alike."""
    lobe = list(LobeKind).index(reading.lobe) if reading.lobe else -1
    return reading.cylinder or 0, lobe, list(Feature).index(reading.feature), index


def _row(reading: Reading, submission: Submission, evidence: list[Evidence | None]) -> Row:
    unit = submission.unit
    # as the engine turns it over, so that a mean half way between two figures is shown alike everywhere
    mean = float(reading.mean) * (1.0 if reading.feature.is_angle else float(unit.mm))
    spreads = [e.expected_spread for e in evidence if e and e.expected_spread]
    return Row(
        label=subject(reading).capitalize(),
        taken=taken(reading, submission),
        verb="measured",
        measured=figure(mean, reading, unit),
        whisker=figure(NINETY_FIVE * spreads[0], reading, unit) if spreads else None,
        lanes=tuple(_lane(n, row, reading, mean, submission) for n, row in enumerate(evidence)),
    )


def _lane(candidate: int, row: Evidence | None, reading: Reading, mean: float, submission: Submission) -> Lane:
    if row is None or row.expected is None:
        return Lane(candidate, None, None, None)
    measured = mean if row.measured is None else row.measured
    difference = measured - row.expected
    return Lane(
        candidate=candidate,
        expected=figure(row.expected, reading, submission.unit),
        difference=signed(difference, figure(abs(difference), reading, submission.unit)),
        place=-difference / row.expected_spread if row.expected_spread else None,
        read_as=figure(measured, reading, submission.unit) if abs(measured - mean) > _SAME else None,
    )


def _counted(submission: Submission, evidence: list[Evidence | None]) -> Iterator[Row]:
    if submission.gear_teeth is None:
        return
    lanes = tuple(
        Lane(
            n, None if row is None or row.expected is None else figure(row.expected, None, submission.unit), None, None
        )
        for n, row in enumerate(evidence)
    )
    yield Row("Gear teeth", "", "counted", str(submission.gear_teeth), None, lanes)

"""A submission and an answer with every member filled, invented, for the stored forms."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

from service.domain.identification import (
    Advice,
    AnswerState,
    BudgetComponent,
    Candidate,
    Derived,
    Evidence,
    Identification,
    NextReading,
    Slip,
    SuspectedSlip,
)
from service.domain.readings import (
    At,
    Condition,
    Contact,
    Degrees,
    Event,
    Experience,
    Feature,
    Instrument,
    LobeKind,
    Marking,
    Position,
    Reading,
    Source,
    Submission,
    Written,
)
from service.domain.units import LengthUnit

SUBMISSION = Submission(
    source=Source.MAIL_IN,
    unit=LengthUnit.INCH,
    readings=(
        Reading(
            Feature.JOURNAL_DIAMETER,
            (Written(Decimal("0.7500"), 4), Written(Decimal("0.75"))),
            instrument=Instrument.BENCH,
            position=Position.REAR,
        ),
        Reading(
            Feature.VALVE_LIFT,
            (Written(Decimal("0.344"), 3),),
            lobe=LobeKind.EXHAUST,
            cylinder=2,
            rocker_ratio=Decimal("1.10"),
            lash=Decimal("0.006"),
        ),
        Reading(
            Feature.DURATION,
            (Written(Decimal(232)),),
            lobe=LobeKind.INTAKE,
            checking_lift=Decimal("0.050"),
            degrees=Degrees.CRANK,
            at=At.VALVE,
        ),
        Reading(
            Feature.VALVE_EVENT,
            (Written(Decimal(-12)),),
            event=Event.EXHAUST_CLOSES,
            checking_lift=Decimal("0.050"),
            at=At.LOBE,
        ),
        Reading(
            Feature.FLANK_WIDTH,
            (Written(Decimal("1.0105"), 4),),
            lobe=LobeKind.INTAKE,
            included_angle_deg=Decimal(90),
            flank="opening",
        ),
        Reading(Feature.ZERO_CHECK, (Written(Decimal("0.0005"), 4),), reference=Decimal(0)),
    ),
    instrument=Instrument.DIGITAL_CALIPER,
    experience=Experience.PRACTISED,
    condition=Condition.USED,
    engine_family="Orrinvale 3",
    gear_teeth=28,
    markings=(Marking("gear", "R4"),),
    tools=(Instrument.DIGITAL_CALIPER, Instrument.DEGREE_WHEEL),
    ask_person=True,
    contact=Contact("A. Caller", "caller@shop.example", "555 0100"),
    note="Found in a box of parts.",
)

ANSWER = Identification(
    state=AnswerState.AMBIGUOUS,
    candidates=(
        Candidate(
            "DFH-7WT",
            ("CRJ-HPX",),
            "KD",
            0.8125,
            0.03125,
            (
                Evidence("prior", -0.5, measured=None),
                Evidence("/readings/0", 3.25, True, 19.05, 19.0436, 0.0064, 0.011),
                Evidence("/counts/gear_teeth", 1.5, False, 28.0, 28.0, 0.0),
            ),
        ),
    ),
    not_in_catalogue_probability=0.125,
    left_off_probability=0.0625,
    credible_set=("DFH-7WT",),
    derived=(
        Derived(
            "lobe_lift",
            LobeKind.INTAKE,
            7.9248,
            7.9477,
            0.033,
            (7.8842, 8.0137),
            (BudgetComponent("hand", 0.02),),
            cylinder=1,
        ),
        Derived("lobe_separation", None, 108.0, 108.0, 0.5, (107.0, 109.0), (), is_length=False),
    ),
    suspected_slips=(
        SuspectedSlip(
            Slip.CAM_AS_CRANK_DEGREES,
            "/readings/2",
            0.9,
            "Cam degrees, perhaps.",
            meant=((2, replace(SUBMISSION.readings[2], degrees=Degrees.CAM)),),
            meant_unit=LengthUnit.MILLIMETRE,
        ),
    ),
    next_reading=NextReading(
        "duration",
        Instrument.DEGREE_WHEEL,
        1.4,
        "Read the duration.",
        LobeKind.INTAKE,
        1,
        Position.FRONT,
        1.27,
        Degrees.CRANK,
    ),
    advice=(Advice("marking_not_evidence", "No evidence.", "/markings"), Advice("other", "Something else.")),
    ask_cheaply=True,
    engine_version="1.0",
)

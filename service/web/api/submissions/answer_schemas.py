"""How an answer looks, for the document; `answer.py` builds it."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.casework import ClosedWhy
from service.domain.identification import AnswerState, Slip
from service.domain.readings import Condition, Experience, Instrument, LobeKind, Position, Source
from service.domain.review import Confidence, Outcome, ReviewReason, ReviewState
from service.domain.units import LengthUnit
from service.web.fields import AnswerSchema, Choice, DecimalText


def _probability(description: str, **options: Any) -> ma.fields.Float:
    return ma.fields.Float(
        required=True, validate=ma.validate.Range(0, 1), metadata={"description": description}, **options
    )


def _decimal(description: str, **options: Any) -> DecimalText:
    return DecimalText(metadata={"description": description}, **options)


def _lobe(**options: Any) -> Choice:
    return Choice(LobeKind, **options)


class NamedSchema(AnswerSchema):
    """The part the readings name."""

    part_number = ma.fields.String(required=True)
    same_as = ma.fields.List(
        ma.fields.String(), required=True, metadata={"description": "Other numbers of the same grind on the same core."}
    )
    probability = _probability("That this is the part.")


class EvidenceSchema(AnswerSchema):
    """What one reading says for this candidate against its runner-up."""

    reading = ma.fields.String(
        required=True, metadata={"description": "JSON Pointer into the submission, or `prior` for before any reading."}
    )
    measured = _decimal("As measured: the submission's unit, degrees, or a count.", allow_none=True, required=True)
    expected = _decimal("As expected of this part.", allow_none=True, required=True)
    difference = _decimal("Measured minus expected.", allow_none=True, required=True)
    expected_spread = _decimal("Standard deviation expected about `expected`.", allow_none=True, required=True)
    bits = ma.fields.Float(
        required=True, metadata={"description": "Weight of evidence; the bits of a candidate add up to its log-odds."}
    )


class CandidateSchema(AnswerSchema):
    """One grind on one core, and how likely it is."""

    part_number = ma.fields.String(required=True)
    same_as = ma.fields.List(ma.fields.String(), required=True)
    core = ma.fields.String(required=True)
    probability = _probability("That this is the part.")
    reground_probability = _probability("That it is this part, ground again.")
    evidence = ma.fields.List(
        ma.fields.Nested(EvidenceSchema()), metadata={"description": "Left out for a widget key."}
    )


class BudgetSchema(AnswerSchema):
    """One component of a standard uncertainty."""

    component = ma.fields.String(required=True)
    standard_uncertainty = _decimal("Its share.", required=True)


class DerivedSchema(AnswerSchema):
    """A quantity worked out from the readings, with its uncertainty (JCGM 100)."""

    quantity = ma.fields.String(required=True)
    lobe = _lobe(required=True, allow_none=True)
    cylinder = ma.fields.Integer(required=True, allow_none=True)
    value = _decimal("The plain difference of the means, as on a calculator.", required=True)
    corrected = _decimal("With the known one-sided errors taken out.", required=True)
    standard_uncertainty = _decimal("Of the corrected value.", required=True)
    interval = ma.fields.List(
        DecimalText(),
        required=True,
        validate=ma.validate.Length(equal=2),
        metadata={"description": "Holds the true value 95 times in 100."},
    )
    budget = ma.fields.List(ma.fields.Nested(BudgetSchema()), required=True)
    can_be = ma.fields.Boolean(
        required=True,
        metadata={
            "description": "False for a lift of nothing or less: one of the two readings is not what it is called."
        },
    )


class KeptReadingSchema(AnswerSchema):
    """A reading as it was sent."""

    feature = ma.fields.String(required=True)
    values = ma.fields.List(DecimalText(), required=True)
    instrument = Choice(Instrument, required=True, metadata={"description": "The tool it is taken to be from."})


class CorrectedReadingSchema(AnswerSchema):
    """What one reading would be without the mistake."""

    pointer = ma.fields.String(required=True, metadata={"description": "JSON Pointer into the submission."})
    reading = ma.fields.Nested(KeptReadingSchema(), required=True)


class CorrectionSchema(AnswerSchema):
    """What the submission would be without the mistake."""

    unit = Choice(LengthUnit, required=True, allow_none=True, metadata={"description": "Null where it stays."})
    readings = ma.fields.List(ma.fields.Nested(CorrectedReadingSchema()), required=True)


class SuspectedSlipSchema(AnswerSchema):
    """A mistake that explains the readings as a whole."""

    slip = Choice(Slip, required=True)
    pointer = ma.fields.String(required=True, metadata={"description": "JSON Pointer into the submission."})
    probability = _probability("That it was made.")
    message = ma.fields.String(required=True)
    correction = ma.fields.Nested(
        CorrectionSchema(),
        required=True,
        allow_none=True,
        metadata={"description": "What was meant; null where the only remedy is to read again."},
    )


class NextReadingSchema(AnswerSchema):
    """The one reading worth asking for next."""

    feature = ma.fields.String(required=True)
    instrument = Choice(Instrument, required=True, allow_none=True)
    lobe = _lobe(required=True, allow_none=True)
    cylinder = ma.fields.Integer(required=True, allow_none=True)
    position = Choice(Position, required=True, allow_none=True)
    checking_lift = _decimal("For timing, in the submission's unit.", required=True, allow_none=True)
    degrees = ma.fields.String(required=True, allow_none=True)
    expected_bits = ma.fields.Float(required=True, metadata={"description": "What it is expected to tell."})
    message = ma.fields.String(required=True, metadata={"description": "The words to say."})


class AdviceSchema(AnswerSchema):
    """Something the person should know."""

    code = ma.fields.String(required=True, metadata={"description": "Stable."})
    message = ma.fields.String(required=True)
    pointer = ma.fields.String(metadata={"description": "JSON Pointer into the submission, where there is one."})


class ReviewOfSubmissionSchema(AnswerSchema):
    """The case's place in the human queue."""

    id = ma.fields.UUID(required=True)
    state = Choice(ReviewState, required=True)
    reason = Choice(ReviewReason, required=True)


class DecisionOnSubmissionSchema(AnswerSchema):
    """What a person decided of the case; `by` and `reason` are for staff alone."""

    outcome = Choice(Outcome, required=True)
    part_number = ma.fields.String(required=True, allow_none=True)
    confidence = Choice(Confidence, required=True)
    at = ma.fields.DateTime(required=True)


class KeptSubmissionSchema(AnswerSchema):
    """The submission as it is kept; a widget key sees no markings, contact or note."""

    source = Choice(Source, required=True)
    readings = ma.fields.List(ma.fields.Nested(KeptReadingSchema()), required=True)
    experience = Choice(Experience, allow_none=True)
    condition = Choice(Condition, allow_none=True)
    engine_family = ma.fields.String(allow_none=True)
    ask_person = ma.fields.Boolean(required=True)


class SaidSchema(AnswerSchema):
    """What the readings say, how surely, and what to measure next."""

    state = Choice(AnswerState, required=True)
    unit = Choice(LengthUnit, required=True, metadata={"description": "Of every length here."})
    catalogue_revision = ma.fields.Integer(required=True)
    engine_version = ma.fields.String(required=True)
    answer = ma.fields.Nested(
        NamedSchema(), required=True, allow_none=True, metadata={"description": "Null unless identified."}
    )
    candidates = ma.fields.List(
        ma.fields.Nested(CandidateSchema()), required=True, metadata={"description": "Best first."}
    )
    credible_set = ma.fields.List(
        ma.fields.String(),
        required=True,
        metadata={"description": "The smallest set of candidates that holds the credible level."},
    )
    not_in_catalogue_probability = _probability("That it is no part of the catalogue.")
    left_off_probability = _probability("That it is a part of the catalogue too unlikely to be listed.")
    derived = ma.fields.List(ma.fields.Nested(DerivedSchema()), required=True)
    suspected_slips = ma.fields.List(ma.fields.Nested(SuspectedSlipSchema()), required=True)
    next_reading = ma.fields.Nested(NextReadingSchema(), required=True, allow_none=True)
    advice = ma.fields.List(ma.fields.Nested(AdviceSchema()), required=True)
    cautions = ma.fields.List(ma.fields.String(), required=True)


class CustomerSeesSchema(AnswerSchema):
    """An earlier answer that the customer goes on seeing."""

    round = ma.fields.Integer(required=True)
    state = Choice(AnswerState, required=True)
    part_number = ma.fields.String(
        required=True, allow_none=True, metadata={"description": "The leading candidate, whatever the state."}
    )
    catalogue_revision = ma.fields.Integer(required=True)


class AnswerToSubmissionSchema(SaidSchema):
    """What the readings say of a submission that is kept."""

    id = ma.fields.UUID(required=True)
    reference = ma.fields.String(
        required=True,
        validate=ma.validate.Regexp("^[1-9][0-9]{7}$"),
        metadata={"description": "To be read aloud, in two groups of four; the last digit checks the others."},
    )
    review = ma.fields.Nested(ReviewOfSubmissionSchema(), required=True, allow_none=True)
    decision = ma.fields.Nested(
        DecisionOnSubmissionSchema(),
        required=True,
        allow_none=True,
        metadata={"description": "What a person decided; it goes before what the readings say by themselves."},
    )
    expected_reply_at = ma.fields.DateTime(
        required=True, allow_none=True, metadata={"description": "When a person answers, while one is waited for."}
    )
    closed_at = ma.fields.DateTime(required=True, allow_none=True)
    closed_why = Choice(ClosedWhy, required=True, allow_none=True)
    round = ma.fields.Integer(required=True, metadata={"description": "How often the engine has been asked."})
    customer_sees = ma.fields.Nested(
        CustomerSeesSchema(),
        allow_none=True,
        metadata={
            "description": "For staff alone: what the customer goes on seeing while this answer, which a new catalogue "
            "made another, waits for a person; null where they see this one."
        },
    )
    submission = ma.fields.Nested(KeptSubmissionSchema(), required=True)
    opened_at = ma.fields.DateTime(required=True)
    answered_at = ma.fields.DateTime(required=True)

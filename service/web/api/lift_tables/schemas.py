"""How a lift table is sent: shapes, ranges and units."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any
from uuid import UUID

import marshmallow as ma

from service.domain.bench import Conditions
from service.domain.catalogue import FollowerKind
from service.domain.readings import Condition, Degrees, LobeKind
from service.domain.units import LengthUnit
from service.lobe.lift_table import MOST_ROWS, BadTable
from service.lobe.pasted import read_pasted
from service.lobe.sent_sheet import SentLobe, SentSheet
from service.web.api.bench.schemas import BenchConditionsSchema
from service.web.api.submissions.reading_schemas import MOST_CYLINDERS
from service.web.fields import NO_NUL, Amount, Choice, PlainAmount, Text, Variant, Whole, described

MOST_LOBES = 2 * MOST_CYLINDERS


@dataclass(frozen=True)
class LiftTableRequest:
    """Lift tables, and the submission and the shaft they are to be kept with, if any, with the bench's record."""

    sent: SentSheet
    submission: UUID | None = None
    mail_in: UUID | None = None
    conditions: Conditions | None = None

    @property
    def attached(self) -> bool:
        """Whether they are to be kept."""
        return self.submission is not None or self.mail_in is not None


class TableRow(ma.fields.Field[tuple[Decimal, Decimal]]):
    """One row: an angle and a lift, each a JSON number or a plain decimal string."""

    _angle = Amount(digits=5, sign="any")
    _lift = Amount(digits=5, sign="any")

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(
            metadata={
                "type": "array",
                "items": {"anyOf": self._lift.metadata["anyOf"]},
                "minItems": 2,
                "maxItems": 2,
                "description": "An angle and the lift there.",
            },
            **kwargs,
        )

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> tuple[Decimal, Decimal]:
        if not isinstance(value, list) or len(value) != 2:
            raise ma.ValidationError("Must be a pair of an angle and a lift.")
        read, faults = [], {}
        for i, (field, one) in enumerate(zip((self._angle, self._lift), value, strict=True)):
            try:
                read.append(field.deserialize(one).value)
            except ma.ValidationError as error:
                faults[i] = error.messages
        if faults:
            raise ma.ValidationError(faults)
        return read[0], read[1]


class LobeTableSchema(ma.Schema):
    """One lobe's table."""

    lobe = Choice(LobeKind, required=True, metadata=described("Which lobe."))
    cylinder = Whole(least=1, most=MOST_CYLINDERS, metadata=described("Counted from the front, from 1."))
    base_circle = PlainAmount(
        digits=5, metadata=described("Its base circle's diameter, measured; a roller's or a point's table needs it.")
    )
    table = ma.fields.List(
        TableRow(),
        metadata=described(
            f"Rows in the order they were taken; any step, any order, gaps and wrap-around. At most {MOST_ROWS}."
        ),
    )
    csv = ma.fields.String(
        validate=ma.validate.Regexp(NO_NUL, error="A NUL character is no part of a table."),
        metadata=described("In place of `table`: rows pasted as text, an angle and a lift a line."),
    )

    class Meta:
        """Nothing else."""

        unknown = ma.RAISE

    @ma.validates_schema
    def one_of_two(self, data: dict[str, Any], **_: Any) -> None:
        """Refuse a lobe with no rows, or with two sets of them."""
        if ("table" in data) == ("csv" in data):
            raise ma.ValidationError("Give either table or csv.", "table")

    @ma.post_load
    def rows(self, data: dict[str, Any], **_: Any) -> dict[str, Any]:
        """The rows, whichever way they came."""
        if "csv" in data:
            try:
                lobes = read_pasted(data["csv"])
            except BadTable as refused:
                raise ma.ValidationError(refused.faults[0].detail, "csv") from None
            if len(lobes) > 1 or lobes[0].kind not in (None, data["lobe"].value):
                raise ma.ValidationError("Must hold the rows of this one lobe.", "csv")
            data["table"] = list(lobes[0].rows)
        return data


def _follower_schema(kind: FollowerKind) -> ma.Schema:
    fields: dict[str, Any] = {
        "kind": ma.fields.String(required=True, validate=ma.validate.Equal(kind.value)),
        "offset": PlainAmount(
            digits=4, sign="any", metadata=described("From the shaft's axis to the line the follower moves along.")
        ),
    }
    if kind is FollowerKind.ROLLER:
        fields["radius"] = PlainAmount(digits=4, required=True, metadata=described("The roller's radius."))
    name = f"{kind.value.capitalize()}FollowerSchema"
    made: type[ma.Schema] = type(name, (ma.Schema,), {"__doc__": f"A {kind.value} follower.", **fields})
    return made()


class LiftTableSchema(ma.Schema):
    """Lift tables of one shaft, on one index, under one follower."""

    unit = Choice(LengthUnit, required=True, metadata=described("Of every length here."))
    angle = Choice(Degrees, required=True, metadata=described("Whose degrees the angles are."))
    follower = Variant(
        "kind",
        {kind.value: _follower_schema(kind) for kind in FollowerKind},
        required=True,
        metadata=described("What read the lift."),
    )
    lobes = ma.fields.List(
        ma.fields.Nested(LobeTableSchema()), required=True, validate=ma.validate.Length(1, MOST_LOBES)
    )
    direction = ma.fields.String(
        validate=ma.validate.OneOf(["rising", "falling"]),
        metadata=described(
            "Whether the angles rise or fall as the shaft turns the way it runs. Left out, they are taken to rise, and "
            "the lobe is compared with the catalogue both ways."
        ),
    )
    condition = Choice(Condition, metadata=described("Left out, the shaft is taken to have run."))
    rocker_ratio = PlainAmount(digits=1, metadata=described("With it, the valve's lift and durations are worked out."))
    lash = PlainAmount(digits=2, sign="not_negative", metadata=described("At the valve; 0 if left out."))

    class Meta:
        """Nothing else."""

        unknown = ma.RAISE

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> Any:
        """The tables."""
        return _sent(data)


class AttachableSchema(LiftTableSchema):
    """Lift tables of one shaft, which may be kept with a submission, with a posted shaft, or with both."""

    submission = ma.fields.UUID(
        load_default=None,
        allow_none=True,
        metadata=described("Keep them with this submission, which is answered again."),
    )
    mail_in = ma.fields.UUID(
        load_default=None, allow_none=True, metadata=described("Keep them with this shaft, and with its submission.")
    )
    bench = ma.fields.Nested(
        BenchConditionsSchema(),
        metadata=described("Of tables that are kept: with which instruments, how warm, zeros checked."),
    )

    @ma.post_load
    def make(self, data: dict[str, Any], **_: Any) -> LiftTableRequest:
        """The request."""
        if "bench" in data and data["submission"] is None and data["mail_in"] is None:
            raise ma.ValidationError("Belongs to tables that are kept, with a submission or a shaft.", "bench")
        return LiftTableRequest(_sent(data), data["submission"], data["mail_in"], data.get("bench"))


class WithdrawalSchema(ma.Schema):
    """Why kept tables count no longer."""

    reason = Text(shortest=1, longest=2000, required=True, metadata=described("For the house."))

    class Meta:
        """Nothing else."""

        unknown = ma.RAISE


def _sent(data: dict[str, Any]) -> SentSheet:
    unit: LengthUnit = data["unit"]
    follower = data["follower"]
    faults = _faults(follower, unit, data["lobes"])
    if faults:
        raise ma.ValidationError(faults)
    named = [(lobe["lobe"], lobe.get("cylinder", 1)) for lobe in data["lobes"]]
    for i, name in enumerate(named):
        if name in named[:i]:
            raise ma.ValidationError({"lobes": {i: {"lobe": ["This lobe has a table already."]}}})
    return SentSheet(
        unit,
        data["angle"],
        tuple(
            SentLobe(lobe["lobe"], tuple(lobe["table"]), lobe.get("cylinder", 1), lobe.get("base_circle"))
            for lobe in data["lobes"]
        ),
        FollowerKind(follower["kind"]),
        follower.get("radius", Decimal(0)),
        follower.get("offset", Decimal(0)),
        rising=data.get("direction", "rising") == "rising",
        direction_known="direction" in data,
        used=data.get("condition") is not Condition.NEW,
        rocker_ratio=data.get("rocker_ratio"),
        lash=data.get("lash", Decimal(0)),
    )


def _faults(follower: dict[str, Any], unit: LengthUnit, lobes: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """What is wrong with the follower and the base circles: sizes that cannot ride on each other."""
    radius = unit.to_mm(follower.get("radius", Decimal(0)))
    offset = unit.to_mm(follower.get("offset", Decimal(0)))
    faults: dict[str, Any] = {}
    if follower["kind"] == FollowerKind.ROLLER.value and not 1 <= radius <= 60:
        faults = {"follower": {"radius": [f"{radius:.3f} mm is no size for a roller's radius; is the unit right?"]}}
    reach = radius + min((unit.to_mm(lobe["base_circle"]) / 2 for lobe in lobes if "base_circle" in lobe), default=1e9)
    if abs(offset) > 0.5 * reach or abs(offset) > 60:
        faults = {"follower": {"offset": ["Is more than half of base radius and roller together; is the unit right?"]}}
    for i, lobe in enumerate(lobes):
        base = unit.to_mm(lobe.get("base_circle", Decimal(30) / unit.mm))
        if not 6 <= base <= 150:
            detail = f"{base:.3f} mm is no size for a base circle (6 to 150 mm); is the unit right?"
            faults = {"lobes": {i: {"base_circle": [detail]}}}
    return faults

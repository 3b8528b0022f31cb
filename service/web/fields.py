"""Fields that take what JSON means and nothing near it.

marshmallow's own are made for forms: its integers take `"5"` and 5.5, its booleans `"yes"`. The documented schema
of each field here is exactly what it accepts.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, date, datetime
from decimal import Decimal
from enum import Enum
from typing import Any

import marshmallow as ma

from service.domain.readings import Written


class AnswerSchema(ma.Schema):
    """Base of what is sent: documented as open, so that a field may be added without breaking a strict client."""

    class Meta:
        """Open to members that are not listed."""

        unknown = ma.INCLUDE


def described(text: str) -> dict[str, str]:
    """A field's description, as its metadata."""
    return {"description": text}


NO_NUL = r"^[^\u0000]*$"


class Text(ma.fields.String):
    """Text of a stated length without NUL, which Postgres cannot keep."""

    def __init__(self, *, longest: int, shortest: int = 0, pattern: str = NO_NUL, **kwargs: Any) -> None:
        super().__init__(
            validate=[
                ma.validate.Length(min=shortest or None, max=longest),
                ma.validate.Regexp(pattern, error=kwargs.pop("refusal", "A NUL character cannot be kept.")),
            ],
            **kwargs,
        )


class Whole(ma.fields.Integer):
    """A JSON integer between two bounds, both included; 5.0 is one (JSON Schema), `"5"` and true are not."""

    def __init__(self, *, least: int, most: int, **kwargs: Any) -> None:
        super().__init__(validate=ma.validate.Range(least, most), **kwargs)

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or value != int(value):
            raise self.make_error("invalid")
        return int(value)


class QueryWhole(ma.fields.Integer):
    """A whole number in a query string: plain ASCII digits, between two bounds."""

    def __init__(self, *, least: int, most: int, **kwargs: Any) -> None:
        super().__init__(validate=ma.validate.Range(least, most), **kwargs)

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> int:
        if not isinstance(value, str) or not re.fullmatch("-?[0-9]{1,9}", value):
            raise self.make_error("invalid")
        return int(value)


class Flag(ma.fields.Boolean):
    """JSON true or false."""

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> bool:
        if not isinstance(value, bool):
            raise self.make_error("invalid", input=value)
        return value


class Choice(ma.fields.Enum[Any]):
    """One of an enumeration's values, as text."""

    def __init__(self, kind: type[Enum], **kwargs: Any) -> None:
        super().__init__(kind, by_value=ma.fields.String, **kwargs)


_FRACTION = r"[0-9]{1,8}"
_POSITIVE_FRACTION = "(?:[1-9][0-9]{0,7}|0[1-9][0-9]{0,6}|00[1-9][0-9]{0,5}|000[1-9][0-9]{0,4}|0000[1-9][0-9]{0,3})"
SMALLEST = Decimal("0.00001")
"""A positive amount below this is finer than anything a hand tool or a bench reads."""


class Amount(ma.fields.Field[Written]):
    """A decimal as a JSON number or as a plain decimal string, which keeps its trailing zeros; becomes a `Written`.

    `digits` is how many digits may stand before the point, so the magnitude is below 10 ** `digits`.
    `sign` says what is taken: `positive`, `not_negative` or `any`.
    """

    def __init__(self, *, digits: int, sign: str = "positive", **kwargs: Any) -> None:
        bound = 10**digits
        whole = f"[1-9][0-9]{{0,{digits - 1}}}"
        if sign == "positive":
            pattern = rf"^(?:{whole}(?:\.{_FRACTION})?|0?\.{_POSITIVE_FRACTION})$"
            least, meant = {"minimum": float(SMALLEST)}, f"a number above 0 and below {bound}"
        else:
            minus = "-?" if sign == "any" else ""
            pattern = rf"^{minus}(?:(?:0|{whole})(?:\.{_FRACTION})?|\.{_FRACTION})$"
            least = {"exclusiveMinimum": -bound} if sign == "any" else {"minimum": 0}
            meant = f"a number between {-bound} and {bound}" if sign == "any" else f"0 or a number below {bound}"
        self.sign, self.bound = sign, bound
        how = "as a JSON number or a plain decimal string with at most 8 decimals; no comma, fraction or unit"
        self.meant = f"Must be {meant}, {how}."
        self.pattern = re.compile(pattern)
        metadata = kwargs.pop("metadata", {})
        super().__init__(
            metadata=metadata
            | {
                "anyOf": [
                    {"type": "number", "exclusiveMaximum": bound, **least},
                    {"type": "string", "pattern": pattern},
                ]
            },
            **kwargs,
        )

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> Written:
        if isinstance(value, str):
            if not self.pattern.fullmatch(value):
                raise ma.ValidationError(self.meant)
            return Written.parse(value)
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            raise ma.ValidationError(self.meant)
        amount = Decimal(repr(value)) + 0  # adding 0 takes the sign off a negative zero
        above = {"positive": amount >= SMALLEST, "not_negative": amount >= 0, "any": amount > -self.bound}[self.sign]
        if not above or amount >= self.bound:
            raise ma.ValidationError(self.meant)
        return Written(amount)

    def _serialize(self, value: Written | None, *_: Any, **__: Any) -> str | None:
        return None if value is None else str(value)


class PlainAmount(Amount):
    """An `Amount` of which only the value matters; becomes a `Decimal`."""

    def _deserialize(self, value: Any, *args: Any, **kwargs: Any) -> Any:
        return super()._deserialize(value, *args, **kwargs).value


_YEAR = "20[0-9]{2}"
_LEAP_YEAR = "20(?:[02468][048]|[13579][26])"
DAY = (
    rf"(?:{_YEAR}-(?:(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])|(?:0[13-9]|1[0-2])-(?:29|30)|(?:0[13578]|1[02])-31)"
    rf"|{_LEAP_YEAR}-02-29)"
)
"""Every day from 2000 to 2099, and nothing that is none."""


class Day(ma.fields.Field[date]):
    """A day, `2031-07-04`."""

    def __init__(self, **kwargs: Any) -> None:
        metadata = kwargs.pop("metadata", {})
        super().__init__(metadata={"type": "string", "pattern": f"^{DAY}$"} | metadata, **kwargs)

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> date:
        if not isinstance(value, str) or not re.fullmatch(DAY, value):
            raise ma.ValidationError("Must be a day such as 2031-07-04.")
        return date.fromisoformat(value)


class Moment(ma.fields.Field[datetime]):
    """A moment with its offset from UTC, `2031-07-04T09:30:00Z` (RFC 3339); becomes UTC."""

    _PATTERN = rf"{DAY}T(?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9](?:Z|[+-](?:0[0-9]|1[0-3]):[0-5][0-9])"

    def __init__(self, **kwargs: Any) -> None:
        metadata = kwargs.pop("metadata", {})
        super().__init__(metadata={"type": "string", "pattern": f"^{self._PATTERN}$"} | metadata, **kwargs)

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> datetime:
        if not isinstance(value, str) or not re.fullmatch(self._PATTERN, value):
            raise ma.ValidationError("Must be a moment such as 2031-07-04T09:30:00Z.")
        return datetime.fromisoformat(value).astimezone(UTC)


class Variant(ma.fields.Field[Any]):
    """An object whose form depends on one of its members, `tag`; documented as `oneOf` with a discriminator."""

    def __init__(self, tag: str, variants: Mapping[str, ma.Schema], **kwargs: Any) -> None:
        self.tag, self.variants = tag, dict(variants)
        super().__init__(**kwargs)

    def _deserialize(self, value: Any, *_: Any, **__: Any) -> Any:
        if not isinstance(value, dict):
            raise ma.ValidationError("Must be an object.")
        if self.tag not in value:
            raise ma.ValidationError({self.tag: ["Is missing."]})
        tag = value[self.tag]
        schema = self.variants.get(tag) if isinstance(tag, str) else None
        if schema is None:
            raise ma.ValidationError({self.tag: [f"Must be one of: {', '.join(self.variants)}."]})
        return schema.load(value)


DECIMAL_TEXT = r"^-?[0-9]+(\.[0-9]+)?$"


class DecimalText(ma.fields.String):
    """In an answer: a decimal as text, so that no digit is lost on the way."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(validate=ma.validate.Regexp(DECIMAL_TEXT), **kwargs)

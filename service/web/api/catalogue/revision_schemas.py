"""How two revisions are compared, and one gone back to."""

from __future__ import annotations

import marshmallow as ma

from service.catalogue_files.difference import Became
from service.domain.units import LengthUnit
from service.web.api.catalogue.schemas import CoreSchema, PartFields
from service.web.fields import AnswerSchema, QueryWhole, Text


class RestoreQuery(ma.Schema):
    """What goes with going back."""

    reason = Text(longest=400, load_default="", metadata={"description": "Why; kept with the new revision."})


class DifferenceQuery(ma.Schema):
    """From which revision on."""

    since = QueryWhole(least=1, most=999_999_999, load_default=None, metadata={"description": "The older revision."})


class WholeCatalogueSchema(AnswerSchema):
    """A whole catalogue, as it can be imported."""

    unit = ma.fields.Enum(LengthUnit, by_value=True, required=True)
    cores = ma.fields.List(ma.fields.Nested(CoreSchema()), required=True)
    parts = ma.fields.List(ma.fields.Nested(PartFields()), required=True)


class FieldChangeSchema(AnswerSchema):
    """One field that is another now, by its column's name; null where nothing was, or is, stated."""

    field = ma.fields.String(required=True)
    before = ma.fields.String(required=True, allow_none=True)
    after = ma.fields.String(required=True, allow_none=True)


class ChangeSchema(AnswerSchema):
    """What became of one core or part."""

    kind = ma.fields.String(required=True, validate=ma.validate.OneOf(["core", "part"]))
    name = ma.fields.String(required=True)
    became = ma.fields.Enum(Became, by_value=True, required=True)
    fields_changed = ma.fields.List(ma.fields.Nested(FieldChangeSchema()), required=True, data_key="fields")
    words = ma.fields.String(required=True)


class DifferenceSchema(AnswerSchema):
    """What became of the catalogue from one revision to another; the first thousand changes."""

    start = ma.fields.Integer(required=True, data_key="from")
    end = ma.fields.Integer(required=True, data_key="to")
    change_count = ma.fields.Integer(required=True)
    counts = ma.fields.Dict(required=True)
    changes = ma.fields.List(ma.fields.Nested(ChangeSchema()), required=True)

"""One part or one core as it is sent to be added or changed, and what is answered."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.catalogue_files.edits import stated_core, stated_part
from service.domain.catalogue import Core, Part
from service.web.api.catalogue.schemas import CoreSchema, PartSchema, WarningSchema
from service.web.api.catalogue.upload import EXAMPLE, CoreStatedSchema, PartStatedSchema
from service.web.fields import AnswerSchema, Text

REVISION = ma.fields.Integer(
    validate=ma.validate.Range(min=1), metadata={"description": "May be sent as it was read; it says nothing here."}
)


class EditQuery(ma.Schema):
    """What goes with a change."""

    reason = Text(longest=400, load_default="", metadata={"description": "Why; kept with the new revision."})


class PartEditSchema(PartStatedSchema):
    """A part, whole, as it is to be; sizes are in inches where no unit is stated."""

    catalogue_revision = REVISION

    def load(self, data: Any, **_: Any) -> Part:
        """Read the part; raises `CatalogueFaults` naming everything wrong with it."""
        return stated_part(data)


class CoreEditSchema(CoreStatedSchema):
    """A core, whole, as it is to be; sizes are in inches where no unit is stated."""

    catalogue_revision = REVISION

    def load(self, data: Any, **_: Any) -> Core:
        """Read the core; raises `CatalogueFaults` naming everything wrong with it."""
        return stated_core(data)


class _Warned(AnswerSchema):
    warnings = ma.fields.List(
        ma.fields.Nested(WarningSchema()),
        required=True,
        metadata={"description": "What is probably wrong with it, though it was taken."},
    )


class EditedPartSchema(PartSchema, _Warned):
    """A part as it is now."""


class CoreOfRevisionSchema(CoreSchema):
    """A core of the active revision."""

    catalogue_revision = ma.fields.Integer(required=True)


class EditedCoreSchema(CoreOfRevisionSchema, _Warned):
    """A core as it is now."""


PART_EXAMPLE: dict[str, Any] = EXAMPLE["parts"][0] | {"unit": "in"}
CORE_EXAMPLE: dict[str, Any] = EXAMPLE["cores"][0] | {"unit": "in"}

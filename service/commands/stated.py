"""What is stated at the terminal, read as the API reads it."""

from __future__ import annotations

from typing import Any

import marshmallow as ma

from service.domain.errors import Fault, InvalidInput
from service.web.problems import faults_of_messages


def read_stated(schema: ma.Schema, stated: Any) -> Any:
    """What the schema makes of it; raises `InvalidInput` with a JSON Pointer to every field at fault."""
    try:
        return schema.load(stated)
    except ma.ValidationError as error:
        located = faults_of_messages({"json": error.messages})
        raise InvalidInput(faults=tuple(Fault(fault.pointer, fault.detail) for fault in located)) from None

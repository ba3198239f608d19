"""A wrong setting in one line: what is allowed, what was found, and the name that may be meant."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

KeyPath = tuple[str | int, ...]

_ALLOWED = {
    "greater_than": "must be more than {gt:g}",
    "greater_than_equal": "must be {ge:g} or more",
    "less_than": "must be less than {lt:g}",
    "less_than_equal": "must be {le:g} or less",
    "finite_number": "must be a number",
    "float_type": "must be a number",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "string_type": "must be text in quotes",
    "literal_error": "must be {expected}",
}
"""What a value may be, by pydantic's name of the fault; other faults keep its words."""
_MOST_FOUND = 60
"""Characters of a wrong value that a message repeats."""


def wrong(fault: Mapping[str, Any], settings: type[BaseModel]) -> str:
    """What is wrong with a value, as one of a ValidationError's errors says it."""
    if fault["type"] == "extra_forbidden":
        near = difflib.get_close_matches(str(fault["loc"][-1]), _names(settings, fault["loc"][:-1]), n=1)
        return f"no such setting; did you mean {near[0]}?" if near else "no such setting"
    if fault["type"] == "missing":
        return "this setting is missing"
    if fault["type"] == "value_error":
        return str(fault["ctx"]["error"])
    known = _ALLOWED.get(fault["type"])
    allowed = known.format(**fault.get("ctx", {})) if known else fault["msg"].removeprefix("Input ")
    return f"{allowed}, found {_found(fault['input'])}"


def _names(settings: type[BaseModel], place: KeyPath) -> list[str]:
    """Names of the settings in the group at a place."""
    fields = settings.model_fields
    for step in place:
        kind = fields[step].annotation if step in fields else None
        if isinstance(kind, type) and issubclass(kind, BaseModel):
            fields = kind.model_fields
        elif kind is not None:  # a mapping of groups by name of species or water: the next step is a name
            (fields,) = (k.model_fields for k in getattr(kind, "__args__", ()) if hasattr(k, "model_fields"))
    return list(fields)


def _found(value: object) -> str:
    """A value as it is written in a settings file, shortened."""
    if isinstance(value, Mapping):
        return "a group of settings"
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= _MOST_FOUND else text[: _MOST_FOUND - 3] + "..."

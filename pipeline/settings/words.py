"""A wrong setting in one line: pydantic's own words, what was found, and the name that may be meant."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

KeyPath = tuple[str | int, ...]

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
    return f"{fault['msg'].removeprefix('Input ')}, found {_found(fault['input'])}"


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

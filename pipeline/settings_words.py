"""A wrong setting in words: what is allowed there, what was found, and the name that may be meant."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from typing import Any

Place = tuple[str | int, ...]
Schema = Mapping[str, Any]

_MOST_FOUND = 60
"""Characters of a wrong value that a message repeats."""
_MOST_NAMES = 12
"""Settings of a group that a message lists."""


def wrong(fault: Mapping[str, Any], schema: Schema) -> tuple[Place, str]:
    """Where a fault lies, and in words what is wrong; `schema` is the JSON schema of the whole.

    `fault` is one of a ValidationError's errors.
    """
    place: Place = tuple(fault["loc"])
    kind = fault["type"]
    if kind == "extra_forbidden":
        return place, _unknown(place, schema)
    if place and isinstance(place[-1], int):
        # Of a pair that is too short, the list as a whole is told.
        inner = kind != "missing"
        place = place[:-1]
        if inner:
            return place, f"must be {_allowed(_at(place, schema), schema)}, found {_found(fault['input'])} in it"
    elif kind == "missing":
        return place, "this setting is missing"
    if kind == "value_error":
        return place, str(fault["ctx"]["error"])
    return place, f"must be {_allowed(_at(place, schema), schema)}, found {_found(fault['input'])}"


def _unknown(place: Place, schema: Schema) -> str:
    known = list(_at(place[:-1], schema).get("properties", {}))
    near = difflib.get_close_matches(str(place[-1]), known, n=1)
    if near:
        return f"no such setting; did you mean {near[0]}?"
    return f"no such setting; there are {', '.join(known)}" if len(known) <= _MOST_NAMES else "no such setting"


def _at(place: Place, schema: Schema) -> Schema:
    """The part of a schema that holds at a place."""
    node = schema
    for step in place:
        node = _resolved(node, schema)
        node = node.get("properties", {}).get(step) or node.get("additionalProperties") or {}
    return _resolved(node, schema)


def _resolved(node: Schema, schema: Schema) -> Schema:
    if "$ref" not in node:
        return node
    found: Schema = schema["$defs"][node["$ref"].rsplit("/", 1)[-1]]
    return found


def _allowed(node: Schema, schema: Schema) -> str:
    kind = node.get("type")
    if kind == "object":
        return "a group of settings"
    if kind == "array":
        each = [_allowed(_resolved(item, schema), schema) for item in node.get("prefixItems", ())]
        if each:
            return f"a list of {len(each)}, each {each[0]}"
        return f"a list, each {_allowed(_resolved(node['items'], schema), schema)}"
    if "enum" in node:
        return " or ".join(_found(value) for value in node["enum"])
    if kind == "string":
        return str(node.get("description", "text in quotes"))
    return f"{'a whole number' if kind == 'integer' else 'a number'}{_range(node)}"


def _range(node: Schema) -> str:
    least, most = node.get("minimum"), node.get("maximum")
    above, below = node.get("exclusiveMinimum"), node.get("exclusiveMaximum")
    if least is not None and most is not None:
        return f" from {least:g} to {most:g}"
    ends = (("of at least", least), ("above", above), ("of at most", most), ("below", below))
    told = " and ".join(f"{words} {value:g}" for words, value in ends if value is not None)
    return f" {told}" if told else ""


def _found(value: object) -> str:
    """A value as it is written in a settings file, shortened."""
    if isinstance(value, Mapping):
        return "a group of settings"
    if isinstance(value, list):
        text = f"[{', '.join(_found(item) for item in value)}]"
    else:
        text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= _MOST_FOUND else text[: _MOST_FOUND - 3] + "..."

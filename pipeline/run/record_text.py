"""Records to JSON text and back, exactly: floats keep every bit, tuples come back as tuples.

What is drawn but not computed with (outlines, traced arcs) is kept apart from the measures, so that the second pass
over ten thousand bones holds the measures only; and to a hundredth of a pixel, in one flat list, since such points are
the most of a reading: lists in lists of long fractions would take ten times as long to write and read.
"""

from __future__ import annotations

import hashlib
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from functools import cache
from itertools import islice
from sys import intern
from typing import Any

import numpy as np
import orjson

from pipeline.records import Age, AgedMark, Axis, BoneReading, Captured, Mark, Point, Specimen

_PARTS = 100
"""Steps of a pixel to which shapes are kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnShape:
    """What is drawn of a bone: scan pixels."""

    outline: tuple[Point, ...]
    arcs: tuple[tuple[Point, ...], ...]
    """One a mark, in the order of `BoneReading.marks`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptBone:
    """The reading of one bone as the ledger keeps it: written by the child that read it, not by the parent of all."""

    number: int
    """1-based position on the scan."""
    flagged: bool
    """A reason to look at it was found in the pixels alone."""
    digest: str
    """Of the measures."""
    measures: str
    """The reading without outline and arcs, as JSON."""
    shape: str
    """Outline and arcs, as JSON."""


def written(record: object) -> str:
    """Any frozen record as JSON."""
    return orjson.dumps(record, default=_plain).decode()


def as_written(text: str) -> object:
    """A record that is JSON already, to stand in others as it is."""
    return orjson.Fragment(text)


def digest_of(record: object) -> str:
    """A short digest of any frozen record, or of several."""
    return digest_of_text(written(record))


def digest_of_text(text: str) -> str:
    """A short digest of a record already written."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def _plain(value: object) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, array):
        return value.tolist()
    raise TypeError(f"{type(value).__name__} cannot be kept in the ledger")


def _fields(record: BoneReading | Mark) -> dict[str, Any]:
    kind: type = type(record)
    return {name: getattr(record, name) for name in _names(kind)}


@cache
def _names(record: type) -> tuple[str, ...]:
    return tuple(f.name for f in fields(record))


def kept(reading: BoneReading) -> KeptBone:
    """A reading as the ledger keeps it."""
    measures = written(_fields(reading) | {"outline": (), "marks": [_fields(m) | {"arc": ()} for m in reading.marks]})
    return KeptBone(
        number=reading.number,
        flagged=bool(reading.reasons),
        digest=digest_of_text(measures),
        measures=measures,
        shape=_shape((reading.outline, *(m.arc for m in reading.marks))),
    )


def _shape(lines: Sequence[Sequence[Sequence[float]]]) -> str:
    pixels = np.array([v for line in lines for point in line for v in point])
    return written({"lengths": [len(line) for line in lines], "points": np.rint(pixels * _PARTS).astype(int).tolist()})


def read_measures(text: str) -> BoneReading:
    """A reading without outline and arcs."""
    d = orjson.loads(text)
    d["axis"] = d["axis"] and Axis(**_tuples(d["axis"]))
    for mark in d["marks"]:  # by hand: there are a dozen a bone
        mark["evidence"], mark["arc"] = array("d", mark["evidence"]), ()
    d["marks"] = tuple([Mark(**mark) for mark in d["marks"]])
    d["traits"] = {intern(name): value for name, value in d["traits"].items()}
    return BoneReading(**_tuples(d))


def on_scan(text: str, scan: str) -> str:
    """A reading as kept, of a scan that has another name now."""
    return written({**orjson.loads(text), "scan": scan})


def read_shape(text: str) -> DrawnShape:
    """The shape kept beside a reading's measures."""
    kept = orjson.loads(text)
    values = [v / _PARTS for v in kept["points"]]
    points = iter(zip(values[::2], values[1::2], strict=True))
    outline, *arcs = (tuple(islice(points, length)) for length in kept["lengths"])
    return DrawnShape(outline=outline, arcs=tuple(arcs))


def joined(measures: BoneReading, shape: DrawnShape) -> BoneReading:
    """The whole reading again."""
    marks = tuple(replace(m, arc=arc) for m, arc in zip(measures.marks, shape.arcs, strict=True))
    return replace(measures, outline=shape.outline, marks=marks)


def read_specimen(text: str) -> Specimen:
    """A row of the specimens table."""
    d = orjson.loads(text)
    d["captured"] = d["captured"] and Captured(**d["captured"])
    return Specimen(**_tuples(d))


def read_age(text: str) -> Age:
    """What the second pass found of a bone."""
    d = orjson.loads(text)
    for mark in d["marks"]:
        mark["arc"] = _tuple(mark["arc"])
    d["marks"] = tuple([AgedMark(**mark) for mark in d["marks"]])
    return Age(**_tuples(d))


def _tuples(d: dict[str, Any]) -> dict[str, Any]:
    return {k: _tuple(v) if isinstance(v, list) else v for k, v in d.items()}


def _tuple(items: list[Any]) -> tuple[Any, ...]:
    return tuple([_tuple(v) if isinstance(v, list) else v for v in items])

"""What a reader has done at one bone, from the acts that were kept: marks as they lie now."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.records import Point
from pipeline.run.ledger_desk import MOVE, PLACE, REMOVE, Act


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedMark:
    """A mark that a reader has placed."""

    mark: int
    """Its number among all marks that this reader ever placed on this bone."""
    at: Point
    """On the growth axis, pixels of the scan."""


def placed_by(acts: Sequence[Act], reader: str) -> tuple[PlacedMark, ...]:
    """The marks of a reader as they lie now, in the order in which they were first placed. `acts` of one bone, the
    earliest first."""
    marks: dict[int, Point] = {}
    for act in acts:
        if act.reader != reader:
            continue
        if act.act in (PLACE, MOVE) and act.x is not None and act.y is not None:
            marks[act.mark] = (act.x, act.y)
        elif act.act == REMOVE:
            marks.pop(act.mark, None)
    return tuple(PlacedMark(mark=mark, at=at) for mark, at in marks.items())


def next_mark(acts: Sequence[Act], reader: str) -> int:
    """A number that none of the reader's marks on this bone has had."""
    return max((act.mark for act in acts if act.reader == reader), default=0) + 1

"""Which bones a reader has before them, in which order.

A share of the bones that others have read is mixed in for a second reading. Nothing tells them, or the bones drawn as a
check, from the others.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from pipeline.records import Reading
from pipeline.together.final_ages import latest_by_reader
from pipeline.together.lots import SAMPLE, drawn_at_random, lot

Kind = Literal["queue", "second", "sample", "joint"]
KINDS: Mapping[Kind, str] = {
    "queue": "queue: to be read",
    "second": "read by others",
    "sample": "fifty at random",
    "joint": "joint look: readers differ",
}
SECOND_SHARE = 0.1
"""Of the bones that others have read: so many a reader of the queue reads too, so that readers can be compared."""
JOINED = " and "
"""Between the names of two readers who look together."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """The bones of one list."""

    to_do: tuple[str, ...]
    """Specimens, in order."""
    done: tuple[str, ...]
    """Those of the list that the reader has read."""


def work(kind: Kind, reader: str, queue: Sequence[str], specimens: Sequence[str], readings: Sequence[Reading]) -> Work:
    """The list of one kind for one reader.

    `queue` and `specimens` are the run's queue and all its bones with a picture, in order; `readings` all there are.
    """
    there, queued = set(specimens), set(queue)
    readers: dict[str, set[str]] = defaultdict(set)
    for reading in readings:
        readers[reading.specimen].add(reading.reader)
    if kind == "joint":
        differ = set(differing(readings))
        settled = {r.specimen for r in readings if r.settles}
        return Work(to_do=tuple(s for s in specimens if s in differ), done=tuple(s for s in specimens if s in settled))
    if kind == "sample":
        wanted = list(drawn_at_random(specimens, SAMPLE))
    elif kind == "second":
        wanted = [s for s in specimens if readers[s]]
    else:
        mine = [s for s in queue if s in there and (not readers[s] - {reader} or _is_second(s, reader))]
        extra = [s for s in specimens if s not in queued and readers[s] - {reader} and _is_second(s, reader)]
        wanted = _mixed(mine, extra, reader)
    done = tuple(s for s in wanted if reader in readers[s])
    return Work(to_do=tuple(s for s in wanted if reader not in readers[s]), done=done)


def differing(readings: Sequence[Reading]) -> tuple[str, ...]:
    """Specimens to whose readers' latest answers differ, unless a reading settles it; in the order of the readings."""
    by: dict[str, list[Reading]] = defaultdict(list)
    for reading in readings:
        by[reading.specimen].append(reading)
    return tuple(
        specimen
        for specimen, found in by.items()
        if not any(r.settles for r in found) and len({r.annuli for r in latest_by_reader(found)}) > 1
    )


def joint_name(first: str, second: str) -> str:
    """The reader that two people looking together are: their names in alphabetical order."""
    return JOINED.join(sorted((first, second), key=str.casefold))


def _is_second(specimen: str, reader: str) -> bool:
    return lot("second reading", reader, specimen) < SECOND_SHARE


def _mixed(mine: Sequence[str], extra: Sequence[str], reader: str) -> list[str]:
    """`extra` strewn among `mine`, each at a place that its lot gives, so that nothing shifts when others are read."""
    places = [(n / max(len(mine), 1), s) for n, s in enumerate(mine)]
    places += [(lot("place of a second reading", reader, s), s) for s in extra]
    return [s for _, s in sorted(places, key=lambda p: p[0])]

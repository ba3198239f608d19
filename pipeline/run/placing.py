"""Which bone is which specimen: rows of the table and bones found, brought together scan by scan."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Protocol

from pipeline.records import BoneReading, Specimen
from pipeline.together.age_of_bone import Placed
from pipeline.together.review import Circumstances

MISSING = "missing"
"""In the place of a digest: the scan was read, and the bone is not on it."""


@dataclass(frozen=True, slots=True)
class OnScan:
    """What was found on one scan."""

    bones: int
    refusal: str = ""
    """Code; blank when the scan was read."""


class Bones(Protocol):
    """All bones found, wherever they are held."""

    def on(self, scan: str) -> OnScan | None:
        """None: the scan was neither read nor refused."""

    def reading(self, scan: str, number: int) -> tuple[BoneReading, str] | None:
        """One bone, and the digest of its reading as it is kept; None: it is not there."""

    def each(self) -> Iterable[tuple[str, int]]:
        """Scan and number of every bone, by scan and number."""


@dataclass(frozen=True, slots=True)
class BonesInHand:
    """Bones found, all of them held in memory."""

    by_scan: Mapping[str, Sequence[BoneReading]]
    refused: Mapping[str, str]
    """Scan to code."""

    def on(self, scan: str) -> OnScan | None:
        """As `Bones` has it."""
        if scan in self.by_scan:
            return OnScan(len(self.by_scan[scan]))
        return OnScan(0, self.refused[scan]) if scan in self.refused else None

    def reading(self, scan: str, number: int) -> tuple[BoneReading, str] | None:
        """As `Bones` has it, without digest."""
        return next(((bone, "") for bone in self.by_scan.get(scan, ()) if bone.number == number), None)

    def each(self) -> Iterable[tuple[str, int]]:
        """As `Bones` has it."""
        return sorted((scan, bone.number) for scan, bones in self.by_scan.items() for bone in bones)


def place(rows: Iterable[Specimen], listed: Mapping[str, Collection[int]], bones: Bones) -> Iterator[Placed]:
    """Every bone promised or found, once: the table's rows in order, then the others by scan and bone.

    rows : gives the same each time it is gone through. `listed` is what they say of each scan: see `listed_in`.
    """

    def placed(row: Specimen, on: OnScan, *, unlisted: bool = False) -> Placed:
        found = bones.reading(row.scan, row.bone)
        around = Circumstances(
            scan_refused=not on.bones,
            tray_mismatch=0 < on.bones != max(listed.get(row.scan, ()), default=on.bones),
            unlisted=unlisted,
        )
        reading, digest = found or (None, on.refusal or MISSING)
        return Placed(specimen=row, reading=reading, around=around, digest=digest)

    for row in rows:
        on = bones.on(row.scan)
        if on is not None:
            yield placed(row, on)
    taken: set[str] = set()
    for scan, number in bones.each():
        on = bones.on(scan)
        if on is None or number in listed.get(scan, ()):
            continue
        taken = taken or {row.specimen for row in rows}
        alone = scan not in listed and on.bones == 1
        name = _free(PurePosixPath(scan).stem + ("" if alone else f"-{number}"), taken)
        yield placed(Specimen(specimen=name, scan=scan, bone=number, fish=name), on, unlisted=bool(listed))


def listed_in(rows: Iterable[Specimen]) -> dict[str, tuple[int, ...]]:
    """The positions that the table names on each scan.

    Positions left out are bones that nobody asks about.
    """
    listed: dict[str, tuple[int, ...]] = {}
    for row in rows:
        listed[row.scan] = (*listed.get(row.scan, ()), row.bone)
    return listed


def promised(listed: Mapping[str, Collection[int]]) -> dict[str, int]:
    """How many bones the table promises of each scan it names: the highest position on it."""
    return {scan: max(bones) for scan, bones in listed.items()}


def _free(name: str, taken: set[str]) -> str:
    while name in taken:
        name += "-extra"
    taken.add(name)
    return name

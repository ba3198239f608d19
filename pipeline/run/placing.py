"""Which bone is which specimen: rows of the table and bones found, brought together scan by scan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath

from pipeline.records import BoneReading, Specimen
from pipeline.run.ledger_scans import KnownScan
from pipeline.together.age_of_bone import Placed
from pipeline.together.review import Circumstances


def place(
    rows: Sequence[Specimen], readings: Mapping[str, Sequence[BoneReading]], scans: Mapping[str, KnownScan]
) -> tuple[Placed, ...]:
    """Every bone promised or found, once: the table's rows in order, then the others by scan and bone.

    `readings` are the bones found by scan, `scans` all scans, read or refused.
    """
    wanted = promised(rows)
    found = {(scan, bone.number): bone for scan, bones in readings.items() for bone in bones}

    def around(scan: str, *, unlisted: bool = False) -> Circumstances:
        there = readings.get(scan)
        return Circumstances(
            scan_refused=there is None,
            tray_mismatch=there is not None and len(there) != wanted.get(scan, len(there)),
            unlisted=unlisted,
        )

    placed = []
    for row in rows:
        if row.scan in readings or row.scan in scans:
            bone = found.pop((row.scan, row.bone), None)
            placed.append(Placed(specimen=row, reading=bone, around=around(row.scan)))
    taken = {row.specimen for row in rows}
    for (scan, number), bone in sorted(found.items()):
        alone = scan not in wanted and len(readings[scan]) == 1
        name = _free(PurePosixPath(scan).stem + ("" if alone else f"-{number}"), taken)
        stand_in = Specimen(specimen=name, scan=scan, bone=number, fish=name)
        placed.append(Placed(specimen=stand_in, reading=bone, around=around(scan, unlisted=bool(rows))))
    return tuple(placed)


def promised(rows: Sequence[Specimen]) -> dict[str, int]:
    """How many bones the table promises of each scan it names: the highest position on it.

    Positions left out are bones that nobody asks about.
    """
    most: dict[str, int] = {}
    for row in rows:
        most[row.scan] = max(most.get(row.scan, 0), row.bone)
    return most


def _free(name: str, taken: set[str]) -> str:
    while name in taken:
        name += "-extra"
    taken.add(name)
    return name

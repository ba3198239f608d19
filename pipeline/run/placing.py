"""Which bone is which specimen: rows of the table and bones found, brought together scan by scan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath

from pipeline.codes import REASONS
from pipeline.records import Age, BoneReading, Specimen
from pipeline.run.ledger_scans import KnownScan


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One row of ages.csv before its age is known."""

    specimen: Specimen
    reading: BoneReading | None
    """None: promised by the table, but not there."""
    reasons: tuple[str, ...] = ()
    """Found here: tray-mismatch, missing-bone, scan-refused."""
    notices: tuple[str, ...] = ()


def place(
    rows: Sequence[Specimen], readings: Mapping[str, Sequence[BoneReading]], scans: Mapping[str, KnownScan]
) -> tuple[Placed, ...]:
    """Every bone promised or found, once: the table's rows in order, then the others by scan and bone.

    `readings` are the bones found by scan, `scans` all scans, read or refused.
    """
    wanted = promised(rows)
    mismatch = {
        scan: ("tray-mismatch",) if len(readings[scan]) != most else ()
        for scan, most in wanted.items()
        if scan in readings
    }
    found = {(scan, bone.number): bone for scan, bones in readings.items() for bone in bones}
    placed = []
    for row in rows:
        bone = found.pop((row.scan, row.bone), None)
        if row.scan in readings:
            reasons = mismatch[row.scan] if bone else ("missing-bone", *mismatch[row.scan])
            placed.append(Placed(specimen=row, reading=bone, reasons=reasons))
        elif row.scan in scans:
            placed.append(Placed(specimen=row, reading=None, reasons=("scan-refused",)))
    taken = {row.specimen for row in rows}
    for (scan, number), bone in sorted(found.items()):
        alone = scan not in wanted and len(readings[scan]) == 1
        name = _free(PurePosixPath(scan).stem + ("" if alone else f"-{number}"), taken)
        stand_in = Specimen(specimen=name, scan=scan, bone=number, fish=name)
        notices = ("no-row",) if rows else ()
        placed.append(Placed(specimen=stand_in, reading=bone, reasons=mismatch.get(scan, ()), notices=notices))
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


def unreadable(placed: Placed) -> Age:
    """The age of a bone that is not there."""
    return Age(specimen=placed.specimen.specimen, status="unreadable", reasons=ordered(placed.reasons))


def flagged(age: Age, placed: Placed) -> Age:
    """The age with the reasons and notices found while placing."""
    if not placed.reasons and not placed.notices:
        return age
    return replace(
        age,
        reasons=ordered({*age.reasons, *placed.reasons}),
        notices=tuple(dict.fromkeys((*age.notices, *placed.notices))),
    )


def ordered(reasons: Sequence[str] | set[str]) -> tuple[str, ...]:
    """Reasons in the order of the registry."""
    return tuple(code for code in REASONS if code in reasons)

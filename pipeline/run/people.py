"""What people enter into a run: readings and corrections, row by row, append only.

The same row again adds nothing. A reading is the same when specimen, reader, annuli, age class, day and `settles` are;
a correction when all but its day is. Rows that stand several times in one table are repeat readings, and are counted.
"""

from __future__ import annotations

import difflib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.names import folded
from pipeline.records import Point, Reading
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_people import Correction
from pipeline.tables.corrections import CorrectionRow
from pipeline.tables.entries import Entry

_ALIKE = 0.75
"""Likeness of two ids (0 to 1) from which the one may be a slip of the other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """What became of the rows of one table."""

    file: str
    readings: int
    """Taken."""
    not_aged: int
    """Of these, answers that the bone could not be aged."""
    corrections: int
    """Taken."""
    known: tuple[int, ...]
    """Rows that the run holds already."""
    blank: int
    """Rows that are not filled in."""
    refused: tuple[str, ...]
    """Whole lines, each with row and cure."""

    @property
    def taken(self) -> int:
        """Rows that the run did not hold before."""
        return self.readings + self.corrections

    def line(self) -> str:
        """As printed."""
        line = f"{self.file}: rows taken {self.taken}"
        if self.not_aged:
            line += f" (of these could not be aged {self.not_aged})"
        line += f", known already {len(self.known)}, refused {len(self.refused)}"
        return line + (f", not filled in {self.blank}" if self.blank else "")


def enter(ledger: Ledger, file: str, entries: Sequence[Entry], today: str) -> Entered:
    """Append to the ledger what it does not hold yet of one table; `today` is the day on which corrections are made.

    Everything is judged before anything is kept. A killed call may leave some rows taken: given again, it adds the
    rest.
    """
    there = ledger.ages.specimens()
    scans = ledger.scans.all()
    earlier: list[Reading | Correction] = [*ledger.people.readings(), *ledger.people.all_corrections()]
    held = Counter(_same(row) for row in earlier)
    known: list[int] = []
    refused: list[str] = []
    readings: list[Reading] = []
    corrections: list[Correction] = []
    for entry in entries:
        if entry.faults:
            refused += entry.faults
            continue
        content = entry.content
        if content is None:
            continue
        found = there.get(content.specimen) or (None, 0)
        problem = _unknown(content.specimen, there) if found[0] is None else ""
        row: Reading | Correction
        if isinstance(content, Reading):
            row = content
        else:
            scan = found[0] or ""
            row = _correction(content, scan, found[1], today)
            facts = scans.get(scan)
            problem = problem or (outside(row.focus, row.tip, facts.width, facts.height) if facts else "")
        if problem:
            refused.append(f"{file}, row {entry.row}: {problem}")
        elif held[_same(row)] > 0:
            held[_same(row)] -= 1
            known.append(entry.row)
        elif isinstance(row, Reading):
            readings.append(row)
        else:
            corrections.append(row)
    for reading in readings:
        ledger.people.add_reading(reading)
    for correction in corrections:
        ledger.people.add_correction(correction)
    return Entered(
        file=file,
        readings=len(readings),
        not_aged=sum(r.annuli is None for r in readings),
        corrections=len(corrections),
        known=tuple(known),
        blank=sum(e.content is None and not e.faults for e in entries),
        refused=tuple(refused),
    )


def _same(row: Reading | Correction) -> object:
    """Two rows with the same answer are one."""
    if isinstance(row, Reading):
        return row.specimen, row.reader, row.annuli, row.age_class, row.read_on, row.settles
    return replace(row, made_on="")


def _unknown(specimen: str, there: Mapping[str, object]) -> str:
    alike = {folded(name): name for name in there}
    near = difflib.get_close_matches(folded(specimen), alike, n=1, cutoff=_ALIKE)
    cure = f"did you mean {alike[near[0]]}?" if near else "give the id as it stands in ages.csv of this run"
    return f"the specimen {specimen} is not in this run; {cure}"


def _correction(row: CorrectionRow, scan: str, bone: int, today: str) -> Correction:
    return Correction(
        scan=scan, bone=bone, reader=row.reader, made_on=today, lighting=row.lighting, dpi=row.dpi, focus=row.focus,
        tip=row.tip, note=row.note,
    )  # fmt: skip


def outside(focus: Point | None, tip: Point | None, width: int, height: int) -> str:
    """What is wrong with where focus and margin are placed on a scan of this size; blank when nothing is, or the size
    is not known."""
    if focus is None or tip is None or not width:
        return ""
    names: Iterable[tuple[str, float, int]] = (
        ("focus_x", focus[0], width), ("focus_y", focus[1], height),
        ("axis_x", tip[0], width), ("axis_y", tip[1], height),
    )  # fmt: skip
    for name, value, size in names:
        if value > size - 0.5:
            return (
                f"the {name} {value:g} lies outside the scan, which is {width} by {height} pixels; "
                "give pixels of the whole scan, from its top left"
            )
    return ""

"""What people add to a run's ledger: readings and corrections. Only ever appended to."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.records import Hint, Reading
from pipeline.run.ledger_file import LedgerFile, Transaction


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction(Hint):
    """A person's correction of one bone."""

    reader: str
    made_on: str
    note: str = ""


class PeopleRows:
    """Readings and corrections; nothing ever changes or removes one."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def readings(self, specimen: str | None = None) -> tuple[Reading, ...]:
        """Every reading ever made, or every one of a specimen, the earliest first."""
        names = "specimen, reader, annuli, age_class, edge, readability, seconds, read_on, note"
        found = []
        query = f"SELECT settles, {names} FROM readings"
        rows = (
            self._file.rows(f"{query} ORDER BY id")
            if specimen is None
            else self._file.rows(f"{query} WHERE specimen = ? ORDER BY id", specimen)
        )
        for settles, *row in rows:
            named = dict(zip(names.split(", "), row, strict=True))
            found.append(Reading(**named, settles=bool(settles)))  # type: ignore[arg-type]
        return tuple(found)

    def add_reading(self, r: Reading) -> None:
        """Append a reading; nothing ever changes or removes one."""
        with self._file.transaction() as db:
            insert_reading(db, r)

    def corrections(self) -> dict[tuple[str, int], Correction]:
        """The latest correction of each (scan, bone)."""
        return {(c.scan, c.bone): c for c in self.all_corrections()}

    def all_corrections(self) -> tuple[Correction, ...]:
        """Every correction ever made, the earliest first."""
        found = []
        names = "scan, bone, reader, made_on, lighting, dpi, note"
        for *row, fx, fy, ax, ay in self._file.rows(
            f"SELECT {names}, focus_x, focus_y, axis_x, axis_y FROM corrections ORDER BY id"
        ):
            named = dict(zip(names.split(", "), row, strict=True))
            focus, tip = None if fx is None else (fx, fy), None if ax is None else (ax, ay)
            found.append(Correction(**named, focus=focus, tip=tip))  # type: ignore[arg-type]
        return tuple(found)

    def add_correction(self, c: Correction) -> None:
        """Append a correction; the latest of a bone holds."""
        with self._file.transaction() as db:
            insert_correction(db, c)


def insert_reading(db: Transaction, r: Reading) -> None:
    """Append a reading, within the caller's transaction."""
    row = (
        r.specimen, r.reader, r.annuli, r.age_class, r.edge, r.readability, r.seconds, r.read_on, int(r.settles),
        r.note,
    )  # fmt: skip
    db.execute(f"INSERT INTO readings VALUES (NULL, {', '.join('?' * len(row))})", row)


def insert_correction(db: Transaction, c: Correction) -> None:
    """Append a correction, within the caller's transaction."""
    points = (*(c.focus or (None, None)), *(c.tip or (None, None)))
    row = (c.scan, c.bone, c.reader, c.made_on, c.lighting, c.dpi, *points, c.note)
    db.execute(f"INSERT INTO corrections VALUES (NULL, {', '.join('?' * len(row))})", row)

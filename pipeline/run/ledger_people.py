"""What people add to a run's ledger: readings and corrections. Only ever appended to."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.records import Point, Reading
from pipeline.run.ledger_file import LedgerFile


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A person's correction of one bone, used instead of what the machine finds. Blank or None: not corrected."""

    scan: str
    bone: int
    reader: str
    made_on: str
    lighting: str = ""
    dpi: float | None = None
    focus: Point | None = None
    tip: Point | None = None
    note: str = ""


class PeopleRows:
    """Readings and corrections; nothing ever changes or removes one."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def readings(self) -> tuple[Reading, ...]:
        """Every reading ever made, the earliest first."""
        names = "specimen, reader, annuli, age_class, edge, readability, seconds, read_on, note"
        found = []
        for settles, *row in self._file.rows(f"SELECT settles, {names} FROM readings ORDER BY id"):
            named = dict(zip(names.split(", "), row, strict=True))
            found.append(Reading(**named, settles=bool(settles)))  # type: ignore[arg-type]
        return tuple(found)

    def add_reading(self, r: Reading) -> None:
        """Append a reading; nothing ever changes or removes one."""
        row = (
            r.specimen, r.reader, r.annuli, r.age_class, r.edge, r.readability, r.seconds, r.read_on, int(r.settles),
            r.note,
        )  # fmt: skip
        with self._file.transaction() as db:
            db.execute(f"INSERT INTO readings VALUES (NULL, {', '.join('?' * len(row))})", row)

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
        points = (*(c.focus or (None, None)), *(c.tip or (None, None)))
        row = (c.scan, c.bone, c.reader, c.made_on, c.lighting, c.dpi, *points, c.note)
        with self._file.transaction() as db:
            db.execute(f"INSERT INTO corrections VALUES (NULL, {', '.join('?' * len(row))})", row)

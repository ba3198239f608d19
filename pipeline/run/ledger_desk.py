"""What readers do at the reading desk, kept as they do it: each mark when it is placed, each answer once.

Only ever appended to. Every act bears a key that its page made, so that a page which did not hear an answer may send
the act again: it is kept once.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.records import Reading
from pipeline.run.ledger_file import LedgerFile
from pipeline.run.ledger_people import Correction, insert_correction, insert_reading

PLACE, MOVE, REMOVE, SAVED, AXIS = "place", "move", "remove", "saved", "axis"
"""Acts: a mark is placed, moved or removed, an answer saved, focus and axis corrected."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Act:
    """One thing that a reader did at one bone."""

    key: str
    """Made by the page; no two acts have the same."""
    specimen: str
    reader: str
    act: str
    mark: int = 0
    """Number of the mark at this bone, as the page counts them; 0 when the act concerns none."""
    x: float | None = None
    y: float | None = None
    """Of the mark on the growth axis, pixels of the scan."""
    at: str = ""
    """When, ISO 8601."""


class DeskRows:
    """Acts at the desk. What is kept here has reached the disk when a call returns, power cut or not."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def acts(self, specimen: str) -> tuple[Act, ...]:
        """All acts at one bone, the earliest first."""
        names = "key, specimen, reader, act, mark, x, y, at"
        rows = self._file.rows(f"SELECT {names} FROM desk WHERE specimen = ? ORDER BY id", specimen)
        return tuple(Act(**dict(zip(names.split(", "), row, strict=True))) for row in rows)  # type: ignore[arg-type]

    def add(self, act: Act) -> bool:
        """Keep an act; False when it was kept before."""
        return self._add(act, None)

    def add_reading(self, act: Act, reading: Reading) -> bool:
        """Keep an answer and the act of saving it, both or none; False when they were kept before."""
        return self._add(act, reading)

    def add_correction(self, act: Act, correction: Correction) -> bool:
        """Keep a correction and its act, both or none; False when they were kept before."""
        return self._add(act, correction)

    def _add(self, a: Act, beside: Reading | Correction | None) -> bool:
        with self._file.transaction(to_disk=True) as db:
            row = (a.key, a.specimen, a.reader, a.act, a.mark, a.x, a.y, a.at)
            kept = db.execute(f"INSERT OR IGNORE INTO desk VALUES (NULL, {', '.join('?' * len(row))})", row).rowcount
            if kept and isinstance(beside, Reading):
                insert_reading(db, beside)
            elif kept and isinstance(beside, Correction):
                insert_correction(db, beside)
        return bool(kept)

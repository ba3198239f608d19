"""The reading queue of a run's ledger."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from pipeline.run.ledger_file import LedgerFile

FORGET_UNREAD_CHECKS = "DELETE FROM blind WHERE specimen NOT IN (SELECT specimen FROM readings)"


class QueueRows:
    """Bones that a person shall read, and which of them were drawn as a check."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def store(self, specimens: Sequence[str], blind: Collection[str]) -> None:
        """Keep this queue in place of any earlier one, and which of its bones were drawn as a check.

        Bones that were drawn earlier and have been read stay marked as drawn.
        """
        with self._file.transaction() as db:
            db.execute("DELETE FROM queue")
            db.executemany("INSERT INTO queue VALUES (?, ?)", list(enumerate(specimens, 1)))
            db.execute(FORGET_UNREAD_CHECKS)
            db.executemany("INSERT OR IGNORE INTO blind VALUES (?)", [(s,) for s in sorted(blind)])

    def all(self) -> tuple[str, ...]:
        """Specimens that a person shall read, in order."""
        return tuple(str(s) for (s,) in self._file.rows("SELECT specimen FROM queue ORDER BY rank"))

    def blind(self) -> frozenset[str]:
        """Specimens drawn as a check from those that nobody had to read: no reader may know which."""
        return frozenset(str(s) for (s,) in self._file.rows("SELECT specimen FROM blind"))

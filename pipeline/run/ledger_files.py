"""The files of a run: which of those in its folder this program wrote. No other is ever written over or removed."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable

from pipeline.errors import RunError
from pipeline.run.ledger_file import LedgerFile

_AT_ONCE = 500
"""Names in one query; SQLite takes some thousands."""


class FileRows:
    """Names below the run's folder, with `/`."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def claim(self, names: Iterable[str]) -> None:
        """Note files before they are written.

        Raises RunError when one of them is there already and this run did not write it.
        """
        wanted = list(names)
        ours = self._ours(wanted)
        new = [name for name in wanted if name not in ours]
        if not new:
            return
        strange = next((name for name in new if os.path.lexists(self._file.run / name)), None)
        if strange:
            raise RunError(
                f"{self._file.run / strange}: lies where a result of this run belongs, and opercle did not write it; "
                "move it away and give the same command again"
            )
        with self._file.transaction() as db:
            db.executemany("INSERT OR IGNORE INTO files VALUES (?)", [(name,) for name in new])

    def has(self, name: str) -> bool:
        """Whether this run wrote, or was about to write, a file of this name."""
        return bool(self._ours((name,)))

    def begin(self, beginning: str) -> bool:
        """Whether this run wrote, or was about to write, a file whose name begins so."""
        query = "SELECT 1 FROM files WHERE substr(name, 1, ?) = ? LIMIT 1"
        return bool(self._file.rows(query, len(beginning), beginning))

    def remove(self, names: Iterable[str]) -> None:
        """Remove those of these files that this run wrote, and forget them."""
        ours = self._ours(list(names))
        for name in ours:
            (self._file.run / name).unlink(missing_ok=True)
        if ours:
            with self._file.transaction() as db:
                db.executemany("DELETE FROM files WHERE name = ?", [(name,) for name in ours])

    def _ours(self, names: Collection[str]) -> frozenset[str]:
        found: set[str] = set()
        asked = list(names)
        for first in range(0, len(asked), _AT_ONCE):
            some = asked[first : first + _AT_ONCE]
            marks = ", ".join("?" * len(some))
            found.update(str(n) for (n,) in self._file.rows(f"SELECT name FROM files WHERE name IN ({marks})", *some))
        return frozenset(found)

"""The pictures of a run's ledger: which were drawn, and from what."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from pipeline.run.ledger_file import LedgerFile


class PictureRows:
    """Pictures drawn, by name."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def all(self) -> dict[str, str]:
        """Every picture drawn (its name below the run's folder), and the digest of what it was drawn from."""
        return {str(n): str(d) for n, d in self._file.rows("SELECT name, drawn_from FROM pictures")}

    def store(self, drawn: Mapping[str, str], gone: Iterable[str] = ()) -> None:
        """Note pictures drawn, and forget those removed."""
        with self._file.transaction() as db:
            db.executemany("DELETE FROM pictures WHERE name = ?", [(n,) for n in gone])
            db.executemany("INSERT OR REPLACE INTO pictures VALUES (?, ?)", list(drawn.items()))

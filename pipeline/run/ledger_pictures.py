"""The pictures of a run's ledger: which were drawn, and from what."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from pipeline.run.ledger_file import LedgerFile

_AT_ONCE = 500
"""Names in one query; SQLite takes some thousands."""


class PictureRows:
    """Pictures drawn, by name."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def begin(self) -> None:
        """Forget what an earlier call of this connection wanted."""
        with self._file.aside() as db:
            db.execute("DROP TABLE IF EXISTS temp.wanted")
            db.execute("CREATE TEMP TABLE wanted(name TEXT PRIMARY KEY, stale INTEGER NOT NULL)")

    def want(self, names: Iterable[str], stale: Collection[str]) -> None:
        """Note pictures that the run should have; those that are `stale` must be drawn."""
        with self._file.aside() as db:
            db.executemany("INSERT INTO temp.wanted VALUES (?, ?)", [(name, name in stale) for name in names])

    def stale(self, names: Iterable[str]) -> frozenset[str]:
        """Those of these pictures that must be drawn."""
        return frozenset(self._found("SELECT name, 1 FROM temp.wanted WHERE stale", names))

    def unwanted(self) -> tuple[str, ...]:
        """Pictures drawn earlier that the run should no longer have."""
        query = "SELECT name FROM main.pictures WHERE name NOT IN (SELECT name FROM temp.wanted)"
        return tuple(str(name) for (name,) in self._file.rows(query))

    def drawn(self, names: Iterable[str]) -> dict[str, str]:
        """Of these pictures, those drawn, and the digest of what each was drawn from."""
        return self._found("SELECT name, drawn_from FROM main.pictures WHERE 1", names)

    def _found(self, query: str, names: Iterable[str]) -> dict[str, str]:
        asked = list(names)
        found: dict[str, str] = {}
        for first in range(0, len(asked), _AT_ONCE):
            some = asked[first : first + _AT_ONCE]
            rows = self._file.rows(f"{query} AND name IN ({', '.join('?' * len(some))})", *some)
            found |= {str(name): str(value) for name, value in rows}
        return found

    def store(self, drawn: Mapping[str, str], gone: Iterable[str] = ()) -> None:
        """Note pictures drawn, and forget those removed."""
        with self._file.transaction() as db:
            db.executemany("DELETE FROM pictures WHERE name = ?", [(n,) for n in gone])
            db.executemany("INSERT OR REPLACE INTO pictures VALUES (?, ?)", list(drawn.items()))

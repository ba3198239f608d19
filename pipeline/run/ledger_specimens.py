"""The specimens of a run's ledger: the rows of the tables given so far."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

from pipeline.records import Specimen
from pipeline.run import record_text
from pipeline.run.ledger_file import LedgerFile


class SpecimenRows:
    """Rows of the specimens tables, as written there."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def all(self) -> tuple[Specimen, ...]:
        """The rows of the specimens tables given so far, in order, as written there."""
        return tuple(self.each())

    def each(self) -> Iterator[Specimen]:
        """The same, one at a time."""
        with self._file.whole_rows():
            for (text,) in self._file.each_row("SELECT record FROM specimens ORDER BY position"):
                yield record_text.read_specimen(str(text))

    def listed(self) -> dict[str, tuple[int, ...]]:
        """The positions that the tables name on each scan."""
        listed: dict[str, tuple[int, ...]] = {}
        with self._file.whole_rows():
            for scan, bone in self._file.each_row("SELECT scan, json_extract(record, '$.bone') FROM specimens"):
                listed[str(scan)] = (*listed.get(str(scan), ()), int(str(bone)))
        return listed

    def extra_columns(self) -> tuple[str, ...]:
        """Columns of the specimens tables beyond the fixed ones, in order."""
        with self._file.whole_rows():
            return tuple(json.loads(self._file.meta("extra_columns") or "[]"))

    def store(self, rows: Sequence[Specimen], extra_columns: Sequence[str]) -> None:
        """Keep these rows in place of all earlier ones."""
        with self._file.transaction() as db:
            db.execute("DELETE FROM specimens")
            db.executemany(
                "INSERT INTO specimens VALUES (?, ?, ?)",
                [(i, s.scan, record_text.written(s)) for i, s in enumerate(rows)],
            )
            db.execute("INSERT OR REPLACE INTO meta VALUES ('extra_columns', ?)", (json.dumps(list(extra_columns)),))

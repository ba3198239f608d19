"""Ages in the making: they lie in tables of this connection alone, on the disk, until they are all there and take the
place of the earlier ones. Whoever else opens the ledger sees nothing of them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.run import record_text
from pipeline.run.ledger_ages import AgedBone, Call, Change, aged_bone
from pipeline.run.ledger_file import LedgerFile

_TABLES = """
DROP TABLE IF EXISTS temp.drafts;
CREATE TEMP TABLE drafts(
    position INTEGER PRIMARY KEY, specimen TEXT UNIQUE NOT NULL, fish TEXT NOT NULL, scan TEXT NOT NULL,
    bone INTEGER NOT NULL, record TEXT NOT NULL, age TEXT NOT NULL, final TEXT NOT NULL, sources TEXT NOT NULL);
CREATE INDEX temp.drafts_by_fish ON drafts(fish);
CREATE INDEX temp.drafts_by_scan ON drafts(scan);
DROP TABLE IF EXISTS temp.drafted_changes;
CREATE TEMP TABLE drafted_changes(
    call INTEGER, specimen TEXT, name TEXT, old TEXT, new TEXT, cause TEXT);
"""
_TEXTS = "record, age, final, sources"
_UNLIKE = f"SELECT {_TEXTS} FROM main.ages WHERE specimen = ? AND NOT (age = ? AND final = ?)"


@dataclass(frozen=True, slots=True)
class DraftText:
    """One row in short, as it is written."""

    specimen: str
    bone: int
    age: str
    sources: str


class DraftRows:
    """Rows of ages.csv that a call is about to write."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def begin(self) -> None:
        """Drop what an earlier call of this connection has left."""
        with self._file.aside() as db:
            for statement in _TABLES.split(";"):
                db.execute(statement)

    def add(self, ages: Sequence[AgedBone]) -> tuple[AgedBone, ...]:
        """Draft some more rows; returns those as last written that have other ages, in their order."""
        (first,) = self._file.rows("SELECT count(*) FROM temp.drafts")[0]
        rows = [
            (
                n, a.specimen.specimen, a.specimen.fish or a.specimen.specimen, a.specimen.scan, a.specimen.bone,
                record_text.written(a.specimen),
                record_text.written(a.age), record_text.written(a.final), json.dumps(a.sources),
            )
            for n, a in enumerate(ages, int(str(first)))
        ]  # fmt: skip
        before = []
        with self._file.aside() as db, self._file.whole_rows():
            db.executemany("INSERT INTO drafts VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
            for _, specimen, *_, age, final, _ in rows:
                before += [aged_bone(*row) for row in db.execute(_UNLIKE, (specimen, age, final))]
        return tuple(before)

    def note(self, changes: Iterable[Change]) -> None:
        """What this call changes."""
        rows = [(c.call, c.specimen, c.column, c.old, c.new, c.cause) for c in changes]
        with self._file.aside() as db:
            db.executemany("INSERT INTO drafted_changes VALUES (?, ?, ?, ?, ?, ?)", rows)

    def of_each_fish(self) -> Iterator[tuple[AgedBone, ...]]:
        """The rows of one fish after the other, in the order in which they come."""
        fish = "SELECT fish FROM temp.drafts GROUP BY fish ORDER BY min(position)"
        rows = f"SELECT {_TEXTS} FROM temp.drafts WHERE fish = ? ORDER BY position"
        for (name,) in self._file.each_row(fish):
            yield tuple(aged_bone(*row) for row in self._file.rows(rows, name))

    def specimens(self) -> Iterator[str]:
        """All of the run."""
        return (str(name) for (name,) in self._file.each_row("SELECT specimen FROM temp.drafts ORDER BY position"))

    def by_scan(self) -> Iterator[tuple[str, tuple[DraftText, ...]]]:
        """The rows of one scan after the other, by scan."""
        rows = "SELECT specimen, bone, age, sources FROM temp.drafts WHERE scan = ? ORDER BY position"
        for (scan,) in self._file.each_row("SELECT DISTINCT scan FROM temp.drafts ORDER BY scan"):
            found = self._file.rows(rows, scan)
            yield str(scan), tuple(DraftText(str(s), int(str(b)), str(age), str(made)) for s, b, age, made in found)

    def on(self, scan: str) -> tuple[AgedBone, ...]:
        """The rows of one scan."""
        rows = f"SELECT {_TEXTS} FROM temp.drafts WHERE scan = ? ORDER BY position"
        return tuple(aged_bone(*row) for row in self._file.rows(rows, scan))

    def store(self, call: Call, *, differ: bool) -> None:
        """The drafts take the place of all ages written so far. Where some of them `differ`, or rows have come, gone or
        moved, the call is noted, with what it changes. One transaction."""
        moved = (
            "SELECT (SELECT count(*) FROM main.ages) <> (SELECT count(*) FROM temp.drafts) OR EXISTS (SELECT 1 FROM "
            "main.ages a LEFT JOIN temp.drafts d USING (position) WHERE d.specimen IS NOT a.specimen)"
        )
        with self._file.transaction() as db:
            (other,) = db.execute(moved).fetchone()
            db.execute("DELETE FROM ages")
            db.execute(f"INSERT INTO ages SELECT position, specimen, {_TEXTS} FROM temp.drafts ORDER BY position")
            columns = "call, specimen, name, old, new, cause"
            db.execute(f"INSERT INTO changes({columns}) SELECT {columns} FROM temp.drafted_changes ORDER BY rowid")
            if differ or other:
                db.execute("INSERT INTO calls VALUES (?, ?, ?)", (call.number, call.command, call.finished))

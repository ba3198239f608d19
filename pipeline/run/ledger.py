"""The ledger of a run: one SQLite file behind all tables. Every statement of SQL is in this module and in
`ledger_tables`.

One transaction a scan; write-ahead log, so that a batch killed at any moment leaves whole scans only and pages can read
while it runs. Machine results (scans, bones, ages, changes) may be dropped and made again; readings and corrections are
people's work, only ever appended to.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self

from pipeline.errors import RunError
from pipeline.records import Age, BoneReading, Point, Reading, Refusal, Specimen
from pipeline.run import ledger_tables, record_text
from pipeline.run.ledger_faults import said
from pipeline.run.record_text import KeptBone

FILE = "run.sqlite"
_LOCK = "batch.lock"
_APPLICATION = 0x6F706572  # "oper": tells our files from other SQLite files
_WAIT_SECONDS = 10
"""How long to wait for another process of this tool (the page, the report) that is writing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownScan:
    """What the ledger holds of a scan besides its bones."""

    scan: str
    path: str
    """As given when it was read."""
    size: int
    mtime_ns: int
    sha256: str
    """Of the bytes decoded; blank when the scan was refused before they were read."""
    settings: str
    """Digest of the settings that the first pass reads."""
    code: str
    """Version of the program that read it."""
    hints: str
    """Digest of what people said of its bones."""
    cause: str
    """Why it was read the last time: a key of `plan.WHY`."""
    width: int = 0
    height: int = 0
    bones: int = 0
    refusal: Refusal | None = None


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


@dataclass(frozen=True, slots=True, kw_only=True)
class AgedBone:
    """One row of ages.csv as the ledger keeps it."""

    specimen: Specimen
    """As used: with the people's corrections in."""
    age: Age
    """Without arcs."""
    sources: Mapping[str, str]
    """Digests of all that the age was made from, by name: tells why it changed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """Of one row of ages.csv, what decides whether a person must look."""

    specimen: str
    confidence: float | None
    """None: unreadable."""
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One cell of ages.csv that a later call changed."""

    specimen: str
    column: str
    old: str
    new: str
    cause: str


class Ledger:
    """The open ledger of one run. Errors of the file become a `RunError` of one line."""

    def __init__(self, run: Path, *, create: bool = False) -> None:
        """Open the ledger in the folder `run`; with `create`, make it when there is none."""
        self.run = run
        path = run / FILE
        if not create and not path.is_file():
            raise RunError(f"{run}: holds no {FILE}; give the folder that `opercle age --out` wrote")
        with self._told():
            self._db = sqlite3.connect(path, timeout=_WAIT_SECONDS, isolation_level=None)
            self._prepare()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def _prepare(self) -> None:
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = NORMAL")  # a power cut may cost the last scans, never the file
        self._db.execute("PRAGMA foreign_keys = ON")
        schema = self._db.execute("PRAGMA user_version").fetchone()[0]
        if schema in ledger_tables.CHANGES:
            self._bring_up_to_date(schema)
        with self._transaction():
            schema = self._db.execute("PRAGMA user_version").fetchone()[0]
            ours = self._db.execute("PRAGMA application_id").fetchone()[0]
            if schema == 0 and ours == 0:
                if self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                    raise RunError(f"{self.run / FILE}: not written by opercle; give another --out")
                for statement in ledger_tables.TABLES.split(";"):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA application_id = {_APPLICATION}")
                self._db.execute(f"PRAGMA user_version = {ledger_tables.VERSION}")
            elif ours != _APPLICATION:
                raise RunError(f"{self.run / FILE}: not written by opercle; give another --out")
            elif schema != ledger_tables.VERSION:
                raise RunError(f"{self.run / FILE}: of another version of opercle; use that one, or another --out")

    def _bring_up_to_date(self, schema: int) -> None:
        """Change the tables of an older version; the ledger as it was stays beside it."""
        part = self.run / f".{FILE}.v{schema}.part"
        with only_batch(self.run):
            part.unlink(missing_ok=True)
            with contextlib.closing(sqlite3.connect(part)) as copy:
                self._db.backup(copy)
            part.replace(self.run / f"{FILE}.v{schema}")
            self._db.create_function("compact_shape", 1, record_text.compact_shape, deterministic=True)
            with self._transaction() as db:
                for older in range(schema, ledger_tables.VERSION):
                    db.execute(ledger_tables.CHANGES[older])
                db.execute(f"PRAGMA user_version = {ledger_tables.VERSION}")

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as e:
            raise RunError(f"{self.run / FILE}: {said(str(e))}") from e

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        with self._told():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):  # the disk may be full; what was begun is dropped either way
                    self._db.execute("ROLLBACK")
                raise

    def _rows(self, query: str, *values: object) -> list[tuple[object, ...]]:
        with self._told():
            return self._db.execute(query, values).fetchall()

    # -------------------------------------------------------------------------------------------- scans
    def scans(self) -> dict[str, KnownScan]:
        """Every scan read or refused so far, by name."""
        names = "scan, path, size, mtime_ns, sha256, settings, code, hints, cause, width, height, bones"
        known = {}
        for row in self._rows(f"SELECT {names}, stage, refusal, detail FROM scans ORDER BY scan"):
            *facts, stage, code, detail = row
            refusal = Refusal(scan=str(row[0]), stage=str(stage), code=str(code), detail=str(detail)) if code else None
            named = dict(zip(names.split(", "), facts, strict=True))
            known[str(row[0])] = KnownScan(**named, refusal=refusal)  # type: ignore[arg-type]
        return known

    def store(self, known: KnownScan, bones: Sequence[KeptBone], others_hold: bool = False) -> None:
        """Keep one scan's outcome in place of any earlier one, or only these bones in place of their earlier readings
        when the scan's `others_hold`. One transaction."""
        r = known.refusal
        row = (
            known.scan, known.path, known.size, known.mtime_ns, known.sha256, known.settings, known.code, known.hints,
            known.cause, known.width, known.height, len(bones),
            r.stage if r else "", r.code if r else "", r.detail if r else "",
        )  # fmt: skip
        with self._transaction() as db:
            if others_hold:
                columns = "path = ?, size = ?, mtime_ns = ?, hints = ?, cause = ?"
                now = (known.path, known.size, known.mtime_ns, known.hints, known.cause)
                db.execute(f"UPDATE scans SET {columns} WHERE scan = ?", (*now, known.scan))
            else:
                db.execute("DELETE FROM scans WHERE scan = ?", (known.scan,))
                db.execute(f"INSERT INTO scans VALUES ({', '.join('?' * len(row))})", row)
            db.executemany(
                "INSERT OR REPLACE INTO bones VALUES (?, ?, ?, ?, ?)",
                [(known.scan, bone.number, bone.digest, bone.measures, bone.shape) for bone in bones],
            )

    def touch(self, scan: str, path: str, size: int, mtime_ns: int) -> None:
        """The file's bytes are those read before; only its place or time differ."""
        with self._transaction() as db:
            db.execute("UPDATE scans SET path = ?, size = ?, mtime_ns = ? WHERE scan = ?", (path, size, mtime_ns, scan))

    def measures(self) -> dict[str, tuple[BoneReading, ...]]:
        """The readings of every bone by scan, in reading order, without outlines and arcs."""
        found: dict[str, list[BoneReading]] = {}
        with self._told():  # row by row: all texts at once would take as much memory as all readings
            for scan, text in self._db.execute("SELECT scan, measures FROM bones ORDER BY scan, number"):
                found.setdefault(str(scan), []).append(record_text.read_measures(str(text)))
        return {scan: tuple(bones) for scan, bones in found.items()}

    def digests(self) -> dict[tuple[str, int], str]:
        """Digest of the measures of every (scan, bone)."""
        return {(str(s), int(str(n))): str(d) for s, n, d in self._rows("SELECT scan, number, digest FROM bones")}

    def shapes(self, scan: str) -> dict[int, str]:
        """What is drawn of each bone on a scan, as kept: `record_text.read_shape` reads it where it is drawn."""
        return {int(str(n)): str(s) for n, s in self._rows("SELECT number, shape FROM bones WHERE scan = ?", scan)}

    def drop_machine_results(self) -> None:
        """Forget everything the machine found; people's readings and corrections stay."""
        with self._transaction() as db:
            for table in ("bones", "scans", "specimens", "ages", "changes", "queue", "meta"):
                db.execute(f"DELETE FROM {table}")
            _forget_unread_blind(db)
            db.execute("UPDATE pictures SET drawn_from = ''")  # their files are still there

    # -------------------------------------------------------------------------------------------- specimens
    def specimens(self) -> tuple[Specimen, ...]:
        """The rows of the specimens tables given so far, in order, as written there."""
        rows = self._rows("SELECT record FROM specimens ORDER BY position")
        return tuple(record_text.read_specimen(str(text)) for (text,) in rows)

    def extra_columns(self) -> tuple[str, ...]:
        """Columns of the specimens tables beyond the fixed ones, in order."""
        rows = self._rows("SELECT value FROM meta WHERE key = 'extra_columns'")
        return tuple(json.loads(str(rows[0][0]))) if rows else ()

    def store_specimens(self, rows: Sequence[Specimen], extra_columns: Sequence[str]) -> None:
        """Keep these rows in place of all earlier ones."""
        with self._transaction() as db:
            db.execute("DELETE FROM specimens")
            db.executemany(
                "INSERT INTO specimens VALUES (?, ?, ?)",
                [(i, s.scan, record_text.written(s)) for i, s in enumerate(rows)],
            )
            db.execute("INSERT OR REPLACE INTO meta VALUES ('extra_columns', ?)", (json.dumps(list(extra_columns)),))

    # -------------------------------------------------------------------------------------------- ages
    def ages(self) -> tuple[AgedBone, ...]:
        """Every row of ages.csv as last written, in its order."""
        return tuple(_aged_bone(*row) for row in self._rows("SELECT record, age, sources FROM ages ORDER BY position"))

    def ages_unlike(self, now: Iterable[AgedBone]) -> tuple[AgedBone, ...]:
        """Those rows of ages.csv as last written whose age is not that of the same specimen in `now`."""
        texts = {a.specimen.specimen: record_text.written(a.age) for a in now}
        rows = self._rows("SELECT specimen, record, age, sources FROM ages ORDER BY position")
        return tuple(_aged_bone(s, a, d) for name, s, a, d in rows if texts.get(str(name)) != a)

    def store_ages(self, ages: Sequence[AgedBone], changes: Iterable[Change]) -> None:
        """Keep these ages in place of the earlier ones, and append what changed. One transaction."""
        rows = [
            (i, a.specimen.specimen, record_text.written(a.specimen), record_text.written(a.age), json.dumps(a.sources))
            for i, a in enumerate(ages)
        ]
        with self._transaction() as db:
            db.execute("DELETE FROM ages")
            db.executemany("INSERT INTO ages VALUES (?, ?, ?, ?, ?)", rows)
            db.executemany(
                "INSERT INTO changes(specimen, name, old, new, cause) VALUES (?, ?, ?, ?, ?)",
                [(c.specimen, c.column, c.old, c.new, c.cause) for c in changes],
            )

    def changes(self) -> tuple[Change, ...]:
        """All changes of ages by later calls, the earliest first."""
        rows = self._rows("SELECT specimen, name, old, new, cause FROM changes ORDER BY id")
        return tuple(
            Change(specimen=str(specimen), column=str(name), old=str(old), new=str(new), cause=str(cause))
            for specimen, name, old, new, cause in rows
        )

    def outcomes(self) -> tuple[Outcome, ...]:
        """Every row of ages.csv as last written, in its order, without all that makes `ages` slow."""
        query = "SELECT specimen, json_extract(age, '$.confidence'), json_extract(age, '$.reasons') FROM ages"
        return tuple(
            Outcome(specimen=str(specimen), confidence=confidence, reasons=tuple(json.loads(str(reasons))))  # type: ignore[arg-type]
            for specimen, confidence, reasons in self._rows(f"{query} ORDER BY position")
        )

    # -------------------------------------------------------------------------------------------- queue
    def store_queue(self, specimens: Sequence[str], blind: Collection[str]) -> None:
        """Keep this queue in place of any earlier one, and which of its bones were drawn as a check.

        Bones that were drawn earlier and have been read stay marked as drawn.
        """
        with self._transaction() as db:
            db.execute("DELETE FROM queue")
            db.executemany("INSERT INTO queue VALUES (?, ?)", list(enumerate(specimens, 1)))
            _forget_unread_blind(db)
            db.executemany("INSERT OR IGNORE INTO blind VALUES (?)", [(s,) for s in sorted(blind)])

    def queue(self) -> tuple[str, ...]:
        """Specimens that a person shall read, in order."""
        return tuple(str(s) for (s,) in self._rows("SELECT specimen FROM queue ORDER BY rank"))

    def blind(self) -> frozenset[str]:
        """Specimens drawn as a check from those that nobody had to read: no reader may know which."""
        return frozenset(str(s) for (s,) in self._rows("SELECT specimen FROM blind"))

    # -------------------------------------------------------------------------------------------- pictures
    def pictures(self) -> dict[str, str]:
        """Every picture drawn (its name below the run's folder), and the digest of what it was drawn from."""
        return {str(n): str(d) for n, d in self._rows("SELECT name, drawn_from FROM pictures")}

    def store_pictures(self, drawn: Mapping[str, str], gone: Iterable[str] = ()) -> None:
        """Note pictures drawn, and forget those removed."""
        with self._transaction() as db:
            db.executemany("DELETE FROM pictures WHERE name = ?", [(n,) for n in gone])
            db.executemany("INSERT OR REPLACE INTO pictures VALUES (?, ?)", list(drawn.items()))

    # -------------------------------------------------------------------------------------------- people's work
    def readings(self) -> tuple[Reading, ...]:
        """Every reading ever made, the earliest first."""
        names = "specimen, reader, annuli, age_class, edge, readability, seconds, read_on, note"
        rows = self._rows(f"SELECT {names} FROM readings ORDER BY id")
        return tuple(Reading(**dict(zip(names.split(", "), row, strict=True))) for row in rows)  # type: ignore[arg-type]

    def add_reading(self, r: Reading) -> None:
        """Append a reading; nothing ever changes or removes one."""
        row = (r.specimen, r.reader, r.annuli, r.age_class, r.edge, r.readability, r.seconds, r.read_on, r.note)
        with self._transaction() as db:
            db.execute(f"INSERT INTO readings VALUES (NULL, {', '.join('?' * len(row))})", row)

    def corrections(self) -> dict[tuple[str, int], Correction]:
        """The latest correction of each (scan, bone)."""
        found = {}
        names = "scan, bone, reader, made_on, lighting, dpi"
        for *row, fx, fy, ax, ay in self._rows(
            f"SELECT {names}, focus_x, focus_y, axis_x, axis_y FROM corrections ORDER BY id"
        ):
            named = dict(zip(names.split(", "), row, strict=True))
            focus, tip = None if fx is None else (fx, fy), None if ax is None else (ax, ay)
            correction = Correction(**named, focus=focus, tip=tip)  # type: ignore[arg-type]
            found[correction.scan, correction.bone] = correction
        return found

    def add_correction(self, c: Correction) -> None:
        """Append a correction; the latest of a bone holds."""
        points = (*(c.focus or (None, None)), *(c.tip or (None, None)))
        row = (c.scan, c.bone, c.reader, c.made_on, c.lighting, c.dpi, *points)
        with self._transaction() as db:
            db.execute(f"INSERT INTO corrections VALUES (NULL, {', '.join('?' * len(row))})", row)


@contextlib.contextmanager
def only_batch(run: Path) -> Iterator[None]:
    """Hold the run against a second batch; raises RunError at once when one is at work. A killed batch holds nothing.

    The lock is SQLite's own on a file of its own: it works on every system, ends with the process, and does not
    keep pages from reading the ledger.
    """
    try:
        db = sqlite3.connect(run / _LOCK, timeout=0, isolation_level=None)
        db.execute("BEGIN EXCLUSIVE")
    except sqlite3.Error as e:
        if "locked" in str(e):
            raise RunError(f"{run}: another `opercle age` is at work here; wait for it, or give another --out") from e
        raise RunError(f"{run / _LOCK}: {said(str(e))}") from e
    with contextlib.closing(db):
        yield


def _forget_unread_blind(db: sqlite3.Connection) -> None:
    db.execute("DELETE FROM blind WHERE specimen NOT IN (SELECT specimen FROM readings)")


def _aged_bone(record: object, age: object, sources: object) -> AgedBone:
    return AgedBone(
        specimen=record_text.read_specimen(str(record)),
        age=record_text.read_age(str(age)),
        sources=json.loads(str(sources)),
    )

"""The scans of a run's ledger, and what was read of each bone on them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.records import BoneReading, Refusal
from pipeline.run import record_text
from pipeline.run.ledger_file import LedgerFile
from pipeline.run.placing import OnScan
from pipeline.run.record_text import KeptBone


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownScan:
    """What the ledger holds of a scan besides its bones."""

    scan: str
    path: str
    """From the run's folder to the file, with `/`, as `places.kept_path` gives it."""
    size: int
    mtime_ns: int
    sha256: str
    """Of the bytes decoded; blank when the scan was refused before they were read."""
    settings: str
    """Digest of the settings that the first pass reads."""
    code: str
    """Version of the program that read it."""
    hints: str
    """Digest of what people wrote of its bones."""
    cause: str
    """Why it was read the last time: a key of `plan.WHY`."""
    ctime_ns: int = 0
    inode: int = 0
    width: int = 0
    height: int = 0
    bones: int = 0
    refusal: Refusal | None = None


_FACTS = "scan, path, size, mtime_ns, ctime_ns, inode, sha256, settings, code, hints, cause, width, height, bones"
_KNOWN = f"SELECT {_FACTS}, stage, refusal, detail FROM scans"
_PLACE = "path = ?, size = ?, mtime_ns = ?, ctime_ns = ?, inode = ?"


def _place(known: KnownScan) -> tuple[str, int, int, int, int]:
    return known.path, known.size, known.mtime_ns, known.ctime_ns, known.inode


class ScanRows:
    """Scans read or refused, and the readings of their bones."""

    def __init__(self, file: LedgerFile) -> None:
        self._file = file

    def all(self) -> dict[str, KnownScan]:
        """Every scan read or refused so far, by name."""
        return {str(row[0]): _known(row) for row in self._file.rows(f"{_KNOWN} ORDER BY scan")}

    def many(self) -> int:
        """How many scans were read or refused."""
        return int(str(self._file.rows("SELECT count(*) FROM scans")[0][0]))

    def found(self) -> Iterator[tuple[str, int]]:
        """How many bones lie on each scan that holds any."""
        query = "SELECT scan, count(*) FROM bones GROUP BY scan"
        return ((str(scan), int(str(n))) for scan, n in self._file.each_row(query))

    def refusals(self) -> tuple[Refusal, ...]:
        """Why scans were refused, by scan."""
        known = (_known(row) for row in self._file.rows(f"{_KNOWN} WHERE refusal <> '' ORDER BY scan"))
        return tuple(facts.refusal for facts in known if facts.refusal)

    def one(self, scan: str) -> KnownScan | None:
        """One scan; None when it was never read."""
        return next((_known(row) for row in self._file.rows(f"{_KNOWN} WHERE scan = ?", scan)), None)

    def store(self, known: KnownScan, bones: Sequence[KeptBone], others_hold: bool = False) -> None:
        """Keep one scan's outcome in place of any earlier one, or only these bones in place of their earlier readings
        when the scan's `others_hold`. One transaction."""
        r = known.refusal
        row = (
            known.scan, known.path, known.size, known.mtime_ns, known.ctime_ns, known.inode, known.sha256,
            known.settings, known.code, known.hints, known.cause, known.width, known.height, len(bones),
            r.stage if r else "", r.code if r else "", r.detail if r else "",
        )  # fmt: skip
        with self._file.transaction() as db:
            if others_hold:
                columns = f"{_PLACE}, hints = ?, cause = ?"
                now = (*_place(known), known.hints, known.cause)
                db.execute(f"UPDATE scans SET {columns} WHERE scan = ?", (*now, known.scan))
            else:
                db.execute("DELETE FROM scans WHERE scan = ?", (known.scan,))
                db.execute(f"INSERT INTO scans VALUES ({', '.join('?' * len(row))})", row)
            db.executemany(
                "INSERT OR REPLACE INTO bones VALUES (?, ?, ?, ?, ?)",
                [(known.scan, bone.number, bone.digest, bone.measures, bone.shape) for bone in bones],
            )

    def touch(self, known: KnownScan) -> None:
        """The file's bytes are those read before; only its place and its times are now those of `known`."""
        with self._file.transaction() as db:
            db.execute(f"UPDATE scans SET {_PLACE} WHERE scan = ?", (*_place(known), known.scan))

    def measures(self) -> dict[str, tuple[BoneReading, ...]]:
        """The readings of every bone by scan, in reading order, without outlines and arcs."""
        found: dict[str, list[BoneReading]] = {}
        # Row by row: all texts at once would take as much memory as all readings.
        with self._file.whole_rows():
            for scan, text in self._file.each_row("SELECT scan, measures FROM bones ORDER BY scan, number"):
                found.setdefault(str(scan), []).append(record_text.read_measures(str(text)))
        return {scan: tuple(bones) for scan, bones in found.items()}

    def on(self, scan: str) -> OnScan | None:
        """How many bones were found on a scan, or why none; None when it was never read."""
        rows = self._file.rows("SELECT bones, refusal FROM scans WHERE scan = ?", scan)
        return next((OnScan(int(str(bones)), str(refusal)) for bones, refusal in rows), None)

    def reading(self, scan: str, number: int) -> tuple[BoneReading, str] | None:
        """The reading of one bone, without outline and arcs, and its digest; None when it is not there."""
        rows = self._file.rows("SELECT measures, digest FROM bones WHERE scan = ? AND number = ?", scan, number)
        with self._file.whole_rows():
            return next(((record_text.read_measures(str(text)), str(digest)) for text, digest in rows), None)

    def each(self) -> Iterator[tuple[str, int]]:
        """Scan and number of every bone, by scan and number."""
        query = "SELECT scan, number FROM bones ORDER BY scan, number"
        return ((str(scan), int(str(number))) for scan, number in self._file.each_row(query))

    def numbers(self, scan: str) -> frozenset[int]:
        """Of the bones on a scan."""
        return frozenset(int(str(n)) for (n,) in self._file.rows("SELECT number FROM bones WHERE scan = ?", scan))

    def readings_on(self, scan: str) -> tuple[BoneReading, ...]:
        """The readings of the bones on one scan, in reading order, without outlines and arcs."""
        query = "SELECT measures FROM bones WHERE scan = ? ORDER BY number"
        return tuple(record_text.read_measures(str(text)) for (text,) in self._file.rows(query, scan))

    def shapes(self, scan: str) -> dict[int, str]:
        """What is drawn of each bone on a scan, as kept: `record_text.read_shape` reads it where it is drawn."""
        return {int(str(n)): str(s) for n, s in self._file.rows("SELECT number, shape FROM bones WHERE scan = ?", scan)}


def _known(row: tuple[object, ...]) -> KnownScan:
    *facts, stage, code, detail = row
    refusal = Refusal(scan=str(row[0]), stage=str(stage), code=str(code), detail=str(detail)) if code else None
    return KnownScan(**dict(zip(_FACTS.split(", "), facts, strict=True)), refusal=refusal)  # type: ignore[arg-type]

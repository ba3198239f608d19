"""Scans that earlier calls with the same run have read, and what this call's names mean beside theirs."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path

from pipeline import regular_files
from pipeline.errors import RunError
from pipeline.records import ScanRef
from pipeline.run import places
from pipeline.run.ledger_scans import KnownScan
from pipeline.scans.scan_folder import name_key


def earlier_scans(run: Path, known: Mapping[str, KnownScan], scans: Sequence[ScanRef]) -> dict[str, ScanRef | None]:
    """The known scans that this call does not name: where they lie now, None when they are not found.

    Raises RunError when a scan of this call bears the name of another one that is still there.
    """
    by_stem = {name_key(places.stem(name)): name for name in known}
    for ref in scans:
        other = by_stem.get(name_key(places.stem(ref.scan)))
        if other is not None:
            _check_same(run, ref, known[other])
    named = {ref.scan for ref in scans}
    return {name: found(run, facts) for name, facts in known.items() if name not in named}


def moved_scans(run: Path, known: Mapping[str, KnownScan], scans: Sequence[ScanRef]) -> dict[str, str]:
    """Scans of earlier calls that lie in another folder now, by their old names: of the same file name and with the
    same bytes, while nothing is found at the old place."""
    named = {ref.scan for ref in scans}
    by_stem = {name_key(places.stem(name)): facts for name, facts in known.items() if name not in named}
    moved = {}
    for ref in scans:
        facts = by_stem.get(name_key(places.stem(ref.scan)))
        if ref.scan in known or facts is None or not facts.sha256 or found(run, facts) is not None:
            continue
        if ref.size == facts.size and _digest(ref.path) == facts.sha256:
            moved[facts.scan] = ref.scan
    return moved


def _digest(path: Path) -> str:
    try:
        with regular_files.opened(path) as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError:
        return ""


def _check_same(run: Path, ref: ScanRef, known: KnownScan) -> None:
    there = found(run, known)
    gone = there is None and not places.is_far(known.path)
    same_place = places.kept_path(run, ref.path) == known.path
    if ref.scan == known.scan and (gone or same_place or _looks_same(there or known, ref)):
        return
    if there is not None and ref.path.samefile(there.path):
        raise RunError(
            f"{ref.scan}: an earlier call with this --out named this scan {known.scan}; give the same folder as then"
        )
    raise RunError(
        f"{ref.scan}: this --out holds another scan of that name ({known.scan}) already; rename the new one, or give "
        "another --out"
    )


def found(run: Path, facts: KnownScan) -> ScanRef | None:
    """Where a known scan lies now; None when it is not found."""
    path = places.found_path(run, facts.path)
    if path is None:
        return None
    try:
        stat = path.stat()
    except OSError:
        return None
    return ScanRef(
        scan=facts.scan, path=path, size=stat.st_size, mtime_ns=stat.st_mtime_ns, ctime_ns=stat.st_ctime_ns,
        inode=stat.st_ino,
    )  # fmt: skip


def _looks_same(a: ScanRef | KnownScan, b: ScanRef) -> bool:
    """The same file by another way, or a copy of it as far as size and time tell; the reader compares the bytes."""
    return (a.size, a.mtime_ns) == (b.size, b.mtime_ns)

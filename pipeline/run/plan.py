"""Which scans must be read, and why; which are done; what each may take."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import TypeVar

from pipeline.batch.limits import Limits
from pipeline.records import Hint, ScanRef
from pipeline.run.ledger_people import Correction
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.record_text import digest_of
from pipeline.settings.whole import BatchSettings

AnyHint = TypeVar("AnyHint", bound=Hint)
WHY = {
    "new": "new",
    "file": "with a changed file",
    "settings": "with other settings than before",
    "version": "read by another version of opercle",
    "table": "with other rows in the table, or corrections, than before",
    "picture": "with a picture gone",
    "retried": "tried again after a fault",
}
"""Cause of a reading: the words for it after the number of scans."""

_TRIED_AGAIN = ("deadline", "memory", "crashed", "changed", "unreadable-file")
"""Refusals that the next call may get over with the same file; all others are kept as long as the file is the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """A scan to read."""

    ref: ScanRef
    cause: str
    """A key of `WHY`."""
    known_sha256: str
    """Blank, or the digest with which the earlier reading still holds."""
    bones: tuple[int, ...]
    """With the file unchanged, only these must be read; empty: all of them."""
    hints: tuple[Hint, ...]
    hints_digest: str


def plan(
    refs: Sequence[ScanRef],
    known: Mapping[str, KnownScan],
    hints: Mapping[str, tuple[Hint, ...]],
    pictures: Collection[str],
    settings: str,
    code: str,
) -> tuple[Planned, ...]:
    """The scans among `refs` that must be read.

    `pictures` are the scans all of whose pictures are there; `settings` and `code` the digests that hold now. Size,
    times and number on the disk decide whether a file may have changed; whether it has, the reader finds by the bytes.
    """
    planned = []
    for ref in refs:
        wanted = hints.get(ref.scan, ())
        digest = digest_of_hints(wanted)
        earlier = known.get(ref.scan)
        cause, sha256 = _cause(ref, earlier, digest, ref.scan in pictures, settings, code)
        bones: tuple[int, ...] = ()
        if cause == "table" and earlier and ref.scan in pictures:
            bones = _corrected_bones(earlier.hints, digest)
            sha256 = earlier.sha256 if bones else ""
        if cause:
            planned.append(
                Planned(ref=ref, cause=cause, known_sha256=sha256, bones=bones, hints=wanted, hints_digest=digest)
            )
    return tuple(planned)


def digest_of_hints(hints: Sequence[Hint]) -> str:
    """What people say of a scan, as the ledger keeps it: by bone, and what concerns all of them."""
    parts = {str(row.bone): digest_of(replace(row, scan="")) for row in hints}
    lightings = sorted({row.lighting for row in hints})
    return json.dumps(parts | {"scan": digest_of((max((row.bone for row in hints), default=None), lightings))})


def _corrected_bones(before: str, now: str) -> tuple[int, ...]:
    """The bones of which people say something else than before, while what concerns the whole scan is the same; none
    where it is not, or where an older version kept no more than one digest."""
    old, new = json.loads(before) if before.startswith("{") else {}, json.loads(now)
    if old.get("scan") != new["scan"]:
        return ()
    return tuple(sorted(int(b) for b in (old.keys() | new.keys()) - {"scan"} if old.get(b) != new.get(b)))


def _cause(
    ref: ScanRef, known: KnownScan | None, hints: str, pictures: bool, settings: str, code: str
) -> tuple[str, str]:
    if known is None:
        return "new", ""
    now = (ref.size, ref.mtime_ns, ref.ctime_ns, ref.inode)
    touched = now != (known.size, known.mtime_ns, known.ctime_ns, known.inode)
    refused = known.refusal is not None
    if refused and known.refusal is not None and known.refusal.code in _TRIED_AGAIN:
        return "retried", ""
    if code != known.code:
        return "version", ""
    if settings != known.settings:
        return "settings", ""
    if not refused and hints != known.hints:
        return "table", ""
    if not refused and not pictures:
        return "picture", ""
    return ("file", "" if refused else known.sha256) if touched else ("", "")


def hints_by_scan(
    rows: Sequence[Hint], corrections: Mapping[tuple[str, int], Correction]
) -> dict[str, tuple[Hint, ...]]:
    """What people say of the bones on each scan: which there are, lighting, resolution, focus and axis.

    Nothing else of a row (ids, species, dates), so that no change of those makes a scan be read again.
    """
    hints: dict[str, dict[int, Hint]] = {}
    for row in rows:
        hints.setdefault(row.scan, {})[row.bone] = corrected(_hint(row), corrections)
    for scan, bone in corrections:
        alone = corrected(Hint(scan=scan, bone=bone), corrections)
        hints.setdefault(scan, {}).setdefault(bone, alone)
    return {scan: tuple(bones[n] for n in sorted(bones)) for scan, bones in hints.items()}


def _hint(row: Hint) -> Hint:
    return Hint(**{f.name: getattr(row, f.name) for f in fields(Hint)})


def corrected(row: AnyHint, corrections: Mapping[tuple[str, int], Correction]) -> AnyHint:
    """The row with the latest correction of its bone in."""
    c = corrections.get((row.scan, row.bone))
    if c is None:
        return row
    return replace(
        row,
        lighting=c.lighting or row.lighting,
        dpi=row.dpi if c.dpi is None else c.dpi,
        focus=row.focus if c.focus is None else c.focus,
        tip=row.tip if c.tip is None else c.tip,
    )


def limits_of(megapixels: float, settings: BatchSettings) -> Limits:
    """What a scan of this size may take."""
    cpu = settings.cpu_seconds + round(settings.cpu_seconds_per_megapixel * megapixels)
    memory = settings.memory_megabytes + round(settings.memory_megabytes_per_megapixel * megapixels)
    return Limits(cpu_seconds=cpu, wall_seconds=cpu * settings.wall_factor, memory_megabytes=memory)

"""The folder of a run: may it be used, and what run.json says of it."""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from pipeline import regular_files
from pipeline.errors import RunError
from pipeline.run import places, versions
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_file import FILE
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.run_lock import LOCK
from pipeline.scans import run_mark
from pipeline.settings.whole import Settings
from pipeline.tables.atomic import MOST_OF_NAME, becoming, is_part, there, write_text

NAME = run_mark.NAME
LOG = "log.jsonl"


def check(out: Path) -> bool:
    """Whether the folder is a run already; raises RunError when it is neither a run nor empty nor yet to be made.

    The ledger makes a run. A folder that holds no more than what a batch makes before its ledger is as good as empty.
    """
    if not os.path.lexists(out):
        return False
    if not out.is_dir():
        raise RunError(f"{out}: is not a folder; give --out the name of a new or empty folder, or of an earlier run")
    try:
        names = {path.name for path in out.iterdir()}
        strange = sorted(name for name in names if not _is_beginning(out / name))
    except OSError as e:
        raise RunError(
            f"{out}: cannot be opened ({e.strerror}); check the folder's rights, or give another --out"
        ) from None
    for name in (FILE, LOCK, NAME, LOG, *places.PICTURES):
        if (out / name).is_symlink():
            raise RunError(f"{out / name}: is a link; put it into the folder itself, or give another --out")
    if FILE in names:
        return True  # what is not ours is refused when it is opened
    if run_mark.run_id(out):
        raise RunError(f"{out}: was a run, but its ledger {FILE} is gone; restore it, or give another --out")
    if strange:
        raise RunError(
            f"{out}: holds files but is no run of opercle; give --out the name of a new or empty folder: "
            "nothing that exists is overwritten"
        )
    return False


def _is_beginning(path: Path) -> bool:
    """Whether a file is one of those that a batch makes before its ledger is there."""
    return is_part(path.name) or (path.name == LOCK and path.stat().st_size == 0)


def make(out: Path) -> None:
    """Make the folder, if it is not there."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise RunError(
            f"{out}: cannot be made: {e.strerror}; check the folder's rights, or give another --out"
        ) from None


def tidy(out: Path, ledger: Ledger) -> None:
    """Make what a run has before its first result, and remove half-written files that a killed batch left. Only while
    no other batch is at work."""
    ledger.files.claim((NAME, LOG))
    description = ledger.description or _text({"made_by": run_mark.MADE_BY, "run": ledger.run})
    try:
        for folder in _folders(out):
            folder.mkdir(exist_ok=True)
            for path in folder.iterdir():
                if _is_ours(out, path, ledger):
                    path.unlink(missing_ok=True)
        if not there(out / NAME) or regular_files.read(out / NAME) != description.encode():
            write_text(out / NAME, description)
    except OSError as e:
        raise RunError(
            f"{e.filename or out}: cannot be written: {e.strerror}; check the folder's rights, or give another --out"
        ) from None


def _is_ours(out: Path, path: Path, ledger: Ledger) -> bool:
    """Whether a file was to become one that this run writes, so that a part of anybody else's stays where it is."""
    name = becoming(path)
    if name is None:
        return False
    place = path.with_name(name).relative_to(out).as_posix()
    if place == FILE:
        return True
    return ledger.files.begin(place) if len(name) == MOST_OF_NAME else ledger.files.has(place)


def _folders(out: Path) -> Iterator[Path]:
    yield out
    yield from (out / name for name in places.PICTURES)


def describe(
    out: Path,
    ledger: Ledger,
    settings: Settings,
    counts: Mapping[str, int],
    seconds: Mapping[str, float],
    settings_files: Sequence[str],
) -> None:
    """Say in the ledger and in run.json what was done, with what, how long it took, and which calls changed ages."""
    # No path stands here: a run may be handed on, and where its scans lay is nobody's business.
    content = {
        "made_by": run_mark.MADE_BY,
        "run": ledger.run,
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "counts": dict(counts),
        "calls": [asdict(call) for call in ledger.ages.calls()],
        "seconds": {name: round(value, 2) for name, value in seconds.items()},
        "versions": versions.of_everything(),
        "settings_digest": settings.digest(),
        "settings_files": list(settings_files),
        "settings": settings.model_dump(mode="json"),
    }
    ledger.describe(_text(content))
    write_text(out / NAME, ledger.description)


def describe_call(out: Path, ledger: Ledger, counts: Mapping[str, int]) -> None:
    """Say in the ledger and in run.json what a call that read no scan has changed."""
    content = {**described(ledger), "counts": dict(counts), "calls": [asdict(call) for call in ledger.ages.calls()]}
    ledger.describe(_text(content))
    write_text(out / NAME, ledger.description)


def _text(content: Mapping[str, object]) -> str:
    return json.dumps(content, indent=1, ensure_ascii=False) + "\n"


def described(ledger: Ledger) -> Mapping[str, object]:
    """What run.json says, by the ledger; empty before the first call has come to its end."""
    content = json.loads(ledger.description or "{}")
    return content if isinstance(content, dict) else {}


def settings_of(run: Path, ledger: Ledger) -> Settings:
    """The settings that the run was made with. Raises RunError when the ledger does not hold them."""
    try:
        stored = described(ledger)["settings"]
        return Settings.model_validate_json(json.dumps(stored), strict=True)
    except (ValueError, KeyError, TypeError):  # a ValidationError is a ValueError
        raise RunError(
            f"{run}: does not hold the settings of this version of opercle; give the line of `opercle age` "
            "again, which reads no scan anew unless it must"
        ) from None


def with_all_pictures(run: Path, known: Mapping[str, KnownScan]) -> Collection[str]:
    """Names of the scans all of whose unmarked pictures are there."""
    return {
        scan
        for scan, facts in known.items()
        if there(places.whole_scan(run, scan))
        and all(there(places.crop(run, scan, n)) for n in range(1, facts.bones + 1))
    }


def drop_pictures(run: Path, ledger: Ledger, scan: str, first: int, last: int) -> None:
    """Remove the unmarked pictures of a scan's bones from number `first` to `last`; from 1 on, that of the scan too."""
    gone = [places.crop(run, scan, number) for number in range(first, last + 1)]
    gone += [places.whole_scan(run, scan)] if first == 1 else []
    ledger.files.remove(path.relative_to(run).as_posix() for path in gone)


def log(run: Path, line: Mapping[str, object]) -> None:
    """Append a line to the log."""
    with regular_files.opened_to_append(run / LOG) as stream:
        stream.write(f"{json.dumps(line, ensure_ascii=False)}\n".encode("utf-8", "backslashreplace"))

"""The folder of a run: may it be used, and what run.json says of it."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

from pipeline.errors import RunError
from pipeline.run import places, versions
from pipeline.run.ledger_ages import Call
from pipeline.run.ledger_file import FILE
from pipeline.run.ledger_scans import KnownScan
from pipeline.settings import Settings
from pipeline.tables.atomic import there, write_text

NAME = "run.json"
LOG = "log.jsonl"
_MADE_BY = "opercle"


def check(out: Path) -> bool:
    """Whether the folder is a run already; raises RunError when it is neither a run nor empty nor yet to be made."""
    if not out.exists() and not out.is_symlink():
        return False
    if not out.is_dir():
        raise RunError(f"{out}: is not a folder; give --out the name of a new or empty folder, or of an earlier run")
    try:
        holds = any(out.iterdir())
        made_by = json.loads((out / NAME).read_text(encoding="utf-8")).get("made_by") if (out / NAME).exists() else None
    except PermissionError:
        raise RunError(f"{out}: cannot be opened; check the folder's rights, or give another --out") from None
    except (OSError, ValueError, AttributeError):
        made_by = None
    if not holds:
        return False
    if made_by != _MADE_BY:
        raise RunError(
            f"{out}: holds files but is no run of opercle; give --out the name of a new or empty folder: "
            "nothing that exists is overwritten"
        )
    return (out / FILE).is_file()


def mark(out: Path) -> None:
    """Make the folder and mark it as a run before all else, so that its pictures are never taken for scans."""
    try:
        for folder in (out, *(out / name for name in (places.CROPS, places.SCANS, places.OVERLAYS, places.TRAYS))):
            folder.mkdir(parents=True, exist_ok=True)
            if folder == out and not (out / NAME).exists():
                write_text(out / NAME, json.dumps({"made_by": _MADE_BY}) + "\n")
    except OSError as e:
        raise RunError(
            f"{out}: cannot be written: {e.strerror}; check the folder's rights, or give another --out"
        ) from None


def tidy(out: Path) -> None:
    """Remove half-written files that a killed batch left. Only while no other batch is at work."""
    pictures = [out / name for name in (places.CROPS, places.SCANS, places.OVERLAYS, places.TRAYS)]
    small = [out / places.SMALL / name for name in (places.OVERLAYS, places.TRAYS)]
    for folder in (out, *pictures, *small):
        for part in folder.glob(".*.part"):
            part.unlink(missing_ok=True)


def describe(
    out: Path, settings: Settings, counts: Mapping[str, int], seconds: Mapping[str, float], calls: Sequence[Call]
) -> None:
    """Say in run.json what was done, with what, how long it took, and which calls changed the ages."""
    # No path stands here: a run may be handed on, and where its scans lay is nobody's business.
    content = {
        "made_by": _MADE_BY,
        "finished": datetime.now(UTC).isoformat(timespec="seconds"),
        "counts": dict(counts),
        "calls": [asdict(call) for call in calls],
        "seconds": {name: round(value, 2) for name, value in seconds.items()},
        "versions": versions.of_everything(),
        "settings_digest": settings.digest(),
        "settings": settings.model_dump(mode="json"),
    }
    write_text(out / NAME, json.dumps(content, indent=1, ensure_ascii=False) + "\n")


def describe_call(out: Path, counts: Mapping[str, int], calls: Sequence[Call]) -> None:
    """Say in run.json what a call that read no scan has changed."""
    content = json.loads((out / NAME).read_text(encoding="utf-8"))
    content |= {"counts": dict(counts), "calls": [asdict(call) for call in calls]}
    write_text(out / NAME, json.dumps(content, indent=1, ensure_ascii=False) + "\n")


def settings_of(run: Path) -> Settings:
    """The settings that the run was made with. Raises RunError when run.json does not hold them."""
    try:
        stored = json.loads((run / NAME).read_text(encoding="utf-8"))["settings"]
        return Settings.model_validate_json(json.dumps(stored), strict=True)
    except (OSError, ValueError, KeyError, TypeError):  # a ValidationError is a ValueError
        raise RunError(
            f"{run / NAME}: does not hold the settings of this version of opercle; give the line of `opercle age` "
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


def drop_pictures(run: Path, scan: str, first: int, last: int) -> None:
    """Remove the unmarked pictures of a scan's bones from number `first` to `last`; from 1 on, that of the scan too."""
    for number in range(first, last + 1):
        places.crop(run, scan, number).unlink(missing_ok=True)
    if first == 1:
        places.whole_scan(run, scan).unlink(missing_ok=True)


def log(run: Path, line: Mapping[str, object]) -> None:
    """Append a line to the log."""
    with (run / LOG).open("a", encoding="utf-8") as stream:
        stream.write(json.dumps(line, ensure_ascii=False) + "\n")

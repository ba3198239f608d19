"""What the user asks of `opercle age`: settings, scans and table, read and checked beside what the run holds."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from pipeline.batch.batch import Here
from pipeline.counting.count import check_weights
from pipeline.errors import RunError, TableError
from pipeline.records import ScanRef, Specimen
from pipeline.run import run_folder
from pipeline.run.earlier import earlier_scans, moved_scans
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.people import outside
from pipeline.run.reading_scans import look_at_headers
from pipeline.scans.scan_folder import FoundScans, find_scans
from pipeline.scans.scan_header import ScanHeader
from pipeline.settings.files import read_settings
from pipeline.settings.whole import Settings
from pipeline.tables.specimens import SpecimensTable, read_specimens

Say = Callable[[str], None]

TOLD_AT_MOST = 10
"""Lines of one kind on the terminal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What the user asked for."""

    scans: tuple[Path, ...]
    out: Path
    specimens: Path | None = None
    settings: tuple[str, ...] = ()
    workers: int
    cluster: str = ""
    """Address of a distributed scheduler whose workers read the scans; blank: this machine reads them."""
    open_cluster: bool = False
    """The user knows that the scheduler is open to everybody who reaches it."""
    fresh: bool = False
    excel: bool = False
    """ages.xlsx is wanted too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """All that was given, found to be sound; nothing is written yet."""

    settings: Settings
    found: FoundScans
    scans: tuple[ScanRef, ...]
    """Of this call, those that cannot be opened too."""
    known: Mapping[str, KnownScan]
    """Scans of earlier calls by name, under their names of now; empty with `fresh`."""
    moved: Mapping[str, str]
    """Scans known by their content: name of an earlier call -> name in this one."""
    earlier: Mapping[str, ScanRef | None]
    """Known scans that this call does not name: where they lie, None when they are not found."""
    table: SpecimensTable | None
    rows: tuple[Specimen, ...]
    """What the tables say of all scans, this call's and earlier ones'."""
    extra_columns: tuple[str, ...]
    shifts: tuple[str, ...]
    """What this call leaves out or changes that an earlier one gave, in lines."""


def ask(request: Request) -> Asked:
    """Read and check all that was given. Raises OpercleError when anything is wrong with it."""
    settings = read_settings(request.settings)
    check_weights(settings)
    is_run = run_folder.check(request.out)
    found = find_scans(request.scans)
    scans = (*found.scans, *(ref for ref, _ in found.refused))
    known: Mapping[str, KnownScan] = {}
    before: tuple[Specimen, ...] = ()
    extra: tuple[str, ...] = ()
    described: Mapping[str, object] = {}
    readings = 0
    if is_run:
        with Ledger(request.out) as ledger:
            known = ledger.scans.all()
            before, extra = ledger.specimens.all(), ledger.specimens.extra_columns()
            described, readings = run_folder.described(ledger), len(ledger.people.readings())
    if request.fresh:
        known, before, extra, described = {}, (), (), {}
    moved = moved_scans(request.out, known, scans)
    known = {moved.get(name, name): replace(facts, scan=moved.get(name, name)) for name, facts in known.items()}
    before = tuple(replace(row, scan=moved.get(row.scan, row.scan)) for row in before)
    earlier = earlier_scans(request.out, known, scans)
    table = None
    if request.specimens is not None:
        table = read_specimens(request.specimens, (*scans, *_as_named(earlier)), settings, date.today())
        _check_places(table, request.specimens.name, scans, settings)
    rows, kept = _rows(before, table, {ref.scan for ref in scans})
    shifts = [
        *_table_left_out(before, table, kept, readings),
        *_settings_changed(described, settings, request.settings),
    ]
    return Asked(
        settings=settings,
        found=found,
        scans=scans,
        known=known,
        moved=moved,
        earlier=earlier,
        table=table,
        rows=rows,
        extra_columns=tuple(dict.fromkeys((*extra, *(table.extra_columns if table else ())))),
        shifts=tuple(shifts),
    )


def tell(lines: Sequence[str], rest: str, say: Say) -> None:
    """Say the first lines of a kind, and how many more there are: a long list must not fill the screen."""
    for line in lines[:TOLD_AT_MOST]:
        say(line)
    if len(lines) > TOLD_AT_MOST:
        say(f"... and {len(lines) - TOLD_AT_MOST} more {rest}")


def _as_named(earlier: Mapping[str, ScanRef | None]) -> list[ScanRef]:
    """The earlier scans, gone or not, so that rows of the table find them."""
    return [ref or ScanRef(scan=name, path=Path(name), size=0, mtime_ns=0) for name, ref in earlier.items()]


def _rows(
    before: Sequence[Specimen], table: SpecimensTable | None, given: set[str]
) -> tuple[tuple[Specimen, ...], int]:
    """What this call's table says holds for its scans; the scans of other calls keep the rows they had. Also how many
    were kept."""
    rows = table.rows if table else ()
    settled = given | {row.scan for row in rows}
    kept = [row for row in before if row.scan not in settled]
    taken = {row.specimen: row.scan for row in rows}
    twice = [row for row in kept if row.specimen in taken]
    if twice:
        first, more = twice[0], f", and so do {len(twice) - 1} more" if len(twice) > 1 else ""
        raise RunError(
            f"specimen {first.specimen} stands on {taken[first.specimen]} in this table and on {first.scan} in that of "
            f"an earlier call{more}; if the scan has a new name, give it the old one again or start a new --out, else "
            "give the bone an id of its own"
        )
    return (*rows, *kept), len(kept)


def _table_left_out(before: Sequence[Specimen], table: SpecimensTable | None, kept: int, readings: int) -> list[str]:
    if table is not None or kept == len(before):
        return []
    waiting = f", and what people read ({readings}) waits until the table is given again" if readings else ""
    line = (
        "an earlier call gave a table of specimens, this one does not: specimens are now named by their files, without "
        f"dates and lengths{waiting}; give --specimens as before unless you mean this"
    )
    return [line]


def _settings_changed(described: Mapping[str, object], settings: Settings, given: Sequence[str]) -> list[str]:
    """What differs from the settings of the last call: by key, with what follows."""
    before = described.get("settings")
    if not isinstance(before, dict) or described.get("settings_digest") == settings.digest():
        return []
    now = settings.model_dump(mode="json")
    differing = [f"{key} {old} -> {new}" for key, old, new in _differing(before, now)]
    some = ", ".join(differing[:3]) + (f" and {len(differing) - 3} more" if len(differing) > 3 else "")
    files = described.get("settings_files")
    left_out = [f for f in files if f not in {Path(g).name for g in given}] if isinstance(files, list) else []
    why = f" (an earlier call gave --settings {', '.join(left_out)}, this one does not)" if left_out else ""
    return [f"other settings than in the last call{why}: {some}; ages may change, and changes.csv will tell which"]


def _differing(before: object, now: object, at: str = "") -> list[tuple[str, object, object]]:
    if not isinstance(before, dict) or not isinstance(now, dict):
        return [] if before == now else [(at, _short(before), _short(now))]
    keys = dict.fromkeys((*before, *now))
    return [d for k in keys for d in _differing(before.get(k), now.get(k), f"{at}.{k}" if at else str(k))]


def _short(value: object) -> str:
    text = "none" if value is None else str(value)
    return text if len(text) <= 24 else f"{text[:21]}..."


def _check_places(table: SpecimensTable, file: str, scans: Sequence[ScanRef], settings: Settings) -> None:
    """A focus or margin that lies outside its scan is a slip; raises TableError before anything is written."""
    placed = [row for row in table.rows if row.focus is not None]
    wanted = {row.scan for row in placed}
    refs = [ref for ref in scans if ref.scan in wanted and ref.size]
    if not refs:
        return
    here = Here(1)
    try:
        headers: Mapping[str, ScanHeader] = look_at_headers(refs, settings, here)
    finally:
        here.stop()
    faults = []
    for row in placed:
        header = headers.get(row.scan)
        sized = header is not None and not header.refusal
        problem = outside(row.focus, row.tip, header.width, header.height) if header and sized else ""
        if problem:
            faults.append(f"{file}, row {table.row_numbers[row.specimen]}: {problem}")
    if faults:
        raise TableError(faults)

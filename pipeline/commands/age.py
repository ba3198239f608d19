"""`opercle age`: a folder of scans in, one row a bone out. Goes on where an earlier call with the same run stopped."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from pathlib import Path

from pipeline.batch.batch import Here, Place
from pipeline.commands.report import write_report
from pipeline.counting.count import check_weights
from pipeline.errors import RunError
from pipeline.records import ScanRef
from pipeline.run import first_pass, run_folder, versions
from pipeline.run.ages_of_run import Accounts, age_run
from pipeline.run.earlier import earlier_scans
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.reading_scans import PRELOADED, Work, read_scans
from pipeline.run.run_lock import only_batch
from pipeline.scans.scan_folder import FoundScans, find_scans
from pipeline.settings import Settings
from pipeline.settings_files import read_settings
from pipeline.tables.specimens import SpecimensTable, read_specimens

Say = Callable[[str], None]

_TOLD_AT_MOST = 10
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


def age(request: Request, say: Say, work: Work = first_pass.read_one) -> Accounts:
    """Age every bone on every scan; `say` gets the lines of progress. `work` reads one scan, in a child process, here
    or on a worker of the cluster.

    Raises OpercleError when the work cannot be done; nothing was written then if the fault lies in what was given.
    """
    began = time.monotonic()
    settings = read_settings(request.settings)
    check_weights(settings)
    is_run = run_folder.check(request.out)
    found = find_scans(request.scans)
    scans = (*found.scans, *(ref for ref, _ in found.refused))
    known = _known(request.out) if is_run else {}
    earlier = {} if request.fresh else earlier_scans(request.out, known, scans)
    table = _table(request, (*scans, *_as_named(earlier)), settings, say)
    here = Here(request.workers)
    readers = _cluster(request, found.scans, settings, say) if request.cluster else here
    try:
        run_folder.make(request.out)
        with only_batch(request.out), Ledger(request.out, create=True) as ledger:
            run_folder.tidy(request.out, ledger)
            if request.fresh:
                for facts in ledger.scans.all().values():
                    run_folder.drop_pictures(request.out, ledger, facts.scan, 1, facts.bones)
                ledger.drop_machine_results()
            _tell_passed_over(request.out, found, say)
            _tell_absent(request.out, table, say)
            _keep_specimens(ledger, table, {ref.scan for ref in scans}, say)
            there = [ref for ref in earlier.values() if ref is not None]
            if len(there) < len(earlier):
                gone = len(earlier) - len(there)
                say(f"scans of earlier calls that are not found: {gone}; their rows stay (--fresh drops them)")
            refs = (*found.scans, *there)
            seconds = read_scans(request.out, ledger, refs, found.refused, settings, here, readers, say, work)
            accounts = replace(age_run(request.out, ledger, settings, here, say), passed_over=len(found.passed_over))
            seconds["whole command"] = time.monotonic() - began
            run_folder.describe(request.out, ledger, settings, asdict(accounts), seconds)
            write_report(request.out, ledger, settings, say)
    except KeyboardInterrupt:
        raise RunError("stopped; nothing that was read is lost. Give the same command again to go on") from None
    finally:
        readers.stop()
        here.stop()
    return accounts


def _table(request: Request, scans: Sequence[ScanRef], settings: Settings, say: Say) -> SpecimensTable | None:
    if request.specimens is None:
        return None
    table = read_specimens(request.specimens, scans, settings, date.today())
    for line in table.remarks[:_TOLD_AT_MOST]:
        say(line)
    if len(table.remarks) > _TOLD_AT_MOST:
        say(f"... and {len(table.remarks) - _TOLD_AT_MOST} more such lines")
    return table


def _cluster(request: Request, scans: Sequence[ScanRef], settings: Settings, say: Say) -> Place:
    try:
        from pipeline.batch.cluster import Cluster, Ground
    except ImportError:
        raise RunError("--cluster: the package distributed is missing; install opercle[cluster]") from None
    ground = Ground(
        facts=versions.of_cluster,
        preload=PRELOADED,
        folders=tuple(folder.absolute() for folder in request.scans),
    )
    patience = settings.batch.without_workers_seconds
    return Cluster(request.cluster, ground, scans, trusted=request.open_cluster, patience_seconds=patience, say=say)


def _known(out: Path) -> dict[str, KnownScan]:
    # A run of an older version is brought up to date here, before this batch holds it.
    with Ledger(out) as ledger:
        return ledger.scans.all()


def _as_named(earlier: Mapping[str, ScanRef | None]) -> list[ScanRef]:
    """The earlier scans, gone or not, so that rows of the table find them."""
    return [ref or ScanRef(scan=name, path=Path(name), size=0, mtime_ns=0) for name, ref in earlier.items()]


def _keep_specimens(ledger: Ledger, table: SpecimensTable | None, given: set[str], say: Say) -> None:
    """What this call's table says holds for its scans; the scans of other calls keep the rows they had."""
    rows = table.rows if table else ()
    settled = given | {row.scan for row in rows}
    before = ledger.specimens.all()
    kept = [row for row in before if row.scan not in settled]
    if table is None and len(kept) < len(before):
        say("an earlier call gave a table of specimens, this one does not: specimens are now named by their files")
    taken = {row.specimen for row in rows}
    twice = sorted(row.specimen for row in kept if row.specimen in taken)
    if twice:
        raise RunError(
            f"specimen {twice[0]} stands in this table and in that of an earlier call; give it an id of its own"
        )
    extra = dict.fromkeys((*ledger.specimens.extra_columns(), *(table.extra_columns if table else ())))
    ledger.specimens.store((*rows, *kept), tuple(extra))


def _tell_passed_over(out: Path, found: FoundScans, say: Say) -> None:
    """Whatever lies among the scans and is not read is named, and stands in the log."""
    lines = [str(one) for one in (*found.passed_over, *found.doubled)]
    for line in lines:
        run_folder.log(out, {"passed over": line})
    _tell(lines, f"more that were passed over; all are in {out / run_folder.LOG}", say)


def _tell_absent(out: Path, table: SpecimensTable | None, say: Say) -> None:
    """Rows without a scan get no row in ages.csv, so each is named; a long table must not fill the screen."""
    lines = [str(row) for row in table.absent] if table else []
    for line in lines:
        run_folder.log(out, {"row without a scan": line})
    _tell(lines, f"more rows whose scan is not here; all are in {out / run_folder.LOG}", say)


def _tell(lines: Sequence[str], rest: str, say: Say) -> None:
    for line in lines[:_TOLD_AT_MOST]:
        say(line)
    if len(lines) > _TOLD_AT_MOST:
        say(f"... and {len(lines) - _TOLD_AT_MOST} {rest}")

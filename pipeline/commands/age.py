"""`opercle age`: a folder of scans in, one row a bone out. Goes on where an earlier call with the same run stopped."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.batch.batch import Here, Workplace
from pipeline.commands.asked import Asked, Request, ask, tell
from pipeline.commands.report import write_report
from pipeline.errors import Interrupted, RunError
from pipeline.records import ScanRef
from pipeline.run import first_pass, run_folder, versions
from pipeline.run.accounts import Accounts
from pipeline.run.ages_of_run import age_run
from pipeline.run.child_server import PRELOADED
from pipeline.run.ledger import Ledger
from pipeline.run.reading_scans import Work, read_scans
from pipeline.run.run_lock import only_batch
from pipeline.settings.whole import Settings

Say = Callable[[str], None]


def age(request: Request, say: Say, work: Work = first_pass.read_one) -> Accounts:
    """Age every bone on every scan; `say` gets the lines of progress. `work` reads one scan, in a child process, here
    or on a worker of the cluster.

    Raises OpercleError when the work cannot be done; nothing was written then if the fault lies in what was given.
    """
    began = time.monotonic()
    asked = ask(request)
    out, settings = request.out, asked.settings
    here = Here(request.workers)
    readers = _cluster(request, asked.found.scans, settings, say) if request.cluster else here
    try:
        run_folder.make(out)
        with only_batch(out), Ledger(out, create=True) as ledger:
            run_folder.tidy(out, ledger)
            if request.fresh:
                for facts in ledger.scans.all().values():
                    run_folder.drop_pictures(out, ledger, facts.scan, 1, facts.bones)
                ledger.drop_machine_results()
            say_what_was_given(asked, out, say)
            for old, new in asked.moved.items():
                ledger.rename_scan(old, new)
            ledger.specimens.store(asked.rows, asked.extra_columns)
            refs = (*asked.found.scans, *(ref for ref in asked.earlier.values() if ref is not None))
            seconds = read_scans(out, ledger, refs, asked.found.refused, settings, here, readers, say, work)
            accounts = age_run(out, ledger, settings, here, say)
            accounts = replace(accounts, passed_over=len(asked.found.passed_over))
            seconds["whole command"] = time.monotonic() - began
            names = [Path(name).name for name in request.settings]
            run_folder.describe(out, ledger, settings, accounts.counts(), seconds, names)
            write_report(out, ledger, settings, say)
            if request.excel:
                # Here, because few ask for a workbook and every run would wait for its library.
                from pipeline.run.workbook_of_run import write_workbook_of_run

                write_workbook_of_run(out, ledger, say)
    except KeyboardInterrupt:
        raise Interrupted("stopped; nothing that was read is lost. Give the same command again to go on") from None
    finally:
        readers.stop()
        here.stop()
    return accounts


def say_what_was_given(asked: Asked, out: Path, say: Say) -> None:
    """What the user should know of scans, table and settings before the start; all of it stands in the log too."""
    for line in asked.shifts:
        say(line)
    if asked.moved:
        old, new = next(iter(asked.moved.items()))
        say(f"scans known by their content under another name: {len(asked.moved)} ({old} is now {new})")
    gone = sum(ref is None for ref in asked.earlier.values())
    if gone:
        say(f"scans of earlier calls that are not found: {gone}; their rows stay (--fresh drops them)")
    table = asked.table
    lists = {
        "that were passed over": [str(one) for one in (*asked.found.passed_over, *asked.found.doubled)],
        "rows whose scan is not here": [str(row) for row in table.absent] if table else [],
        "such lines": list(table.remarks) if table else [],
    }
    for kind, lines in lists.items():
        if out.is_dir():
            for line in lines:
                run_folder.log(out, {kind: line})
        tell(lines, f"{kind}; all are in {out / run_folder.LOG}", say)


def _cluster(request: Request, scans: Sequence[ScanRef], settings: Settings, say: Say) -> Workplace:
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

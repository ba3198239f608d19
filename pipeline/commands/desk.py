"""`opercle desk`: a local web page where people read the bones of a run; final ages, queue and report follow."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from pipeline.batch.batch import Here
from pipeline.commands.report import write_report
from pipeline.commands.triage import triage
from pipeline.errors import RunError
from pipeline.records import Scan, ScanRef
from pipeline.run import first_pass, run_folder
from pipeline.run.ages_of_run import age_run
from pipeline.run.earlier import found
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.queue_of_run import shorten_queue
from pipeline.run.reading_scans import read_scans
from pipeline.run.run_lock import only_batch
from pipeline.scans.scan_folder import find_scans
from pipeline.settings.whole import Settings
from pipeline.together.final_ages import by_specimen, final_age

Say = Callable[[str], None]

CAUTION = (
    "caution: whoever reaches this address and has the token can read and enter counts, and nothing hides what is sent "
    "on the way; use it only in a network that you trust, and ask whoever runs it"
)


def desk(run: Path, scans: Sequence[Path], host: str, port: int, say: Say, print_line: Say) -> None:
    """Serve the desk until Ctrl-C; what was entered last is followed up before the call returns. `scans` are folders in
    which scans lie that the run does not find by itself.

    Raises RunError when the run holds no ages, the address cannot be used, or the extra `desk` is not installed.
    """
    try:
        from pipeline.desk.cuts import Cuts
        from pipeline.desk.desk import Desk
        from pipeline.desk.follower import Follower
        from pipeline.desk.serve import is_local, serve
    except ImportError:
        raise RunError("desk: the packages starlette and uvicorn are missing; install opercle[desk]") from None
    elsewhere = {ref.scan: ref for ref in find_scans(scans).scans} if scans else {}
    with Ledger(run) as ledger:
        settings = run_folder.settings_of(run, ledger)
        queued, behind = bool(ledger.queue.all()), is_behind(ledger, settings)
    if not is_local(host):
        say(CAUTION)
    if not queued:
        say("no queue was made yet; it is made now, as `opercle triage` does")
        triage(run, None, None, say)

    cuts = Cuts(lambda known: read_known(run, known, elsewhere, settings))
    follower = Follower(lambda names: follow(run, settings, names, elsewhere, say))
    if behind:
        follower.touch()
    opened = Desk(run=run, cuts=cuts, follower=follower)
    try:
        # One connection stays open: whoever closes the last one empties the log into the ledger, which takes as long as
        # ten marks.
        with Ledger(run):
            serve(opened, host, port, print_line)
    finally:
        cuts.close()
        follower.close()
        if follower.fault:
            say(f"what was entered is kept, but ages, queue and report do not show it yet: {follower.fault}")


def read_known(run: Path, known: KnownScan, elsewhere: Mapping[str, ScanRef], settings: Settings) -> Scan | None:
    """Decode a scan of the run; None when it is not found. Raises ScanRefused like `read_scan`."""
    from pipeline.scans.scan_file import read_scan

    ref = elsewhere.get(known.scan) or found(run, known)
    return None if ref is None else read_scan(ref, settings.scan)


def is_behind(ledger: Ledger, settings: Settings) -> bool:
    """Whether there are answers that ages, queue and report do not show: a desk that is killed leaves them so."""
    bones = ledger.ages.all()
    readings = by_specimen(ledger.people.readings())
    return any(b.final != final_age(b.specimen, b.age, readings.get(b.specimen.specimen, ()), settings) for b in bones)


def follow(run: Path, settings: Settings, scans: frozenset[str], elsewhere: Mapping[str, ScanRef], say: Say) -> None:
    """Bring ages, queue and report up to what was entered; corrected bones on `scans` are read again first.

    `elsewhere` are scans by name that the user says where they lie.
    """
    here = Here(1)
    try:
        with only_batch(run), Ledger(run) as ledger:
            if scans:
                known = ledger.scans.all()
                refs = [ref for n in scans if (ref := elsewhere.get(n) or found(run, known[n])) is not None]
                read_scans(run, ledger, refs, (), settings, here, here, say, first_pass.read_one)
            accounts = age_run(run, ledger, settings, here, say, command="desk")
            run_folder.describe_call(run, ledger, accounts.counts())
            shorten_queue(run, ledger, say)
            write_report(run, ledger, settings, say)
    finally:
        here.stop()

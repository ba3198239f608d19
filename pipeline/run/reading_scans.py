"""The first pass over all scans that need it: children read, this process alone writes."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.batch import batch
from pipeline.batch.limits import Fault
from pipeline.errors import Interrupted
from pipeline.records import Refusal, ScanRef
from pipeline.run import child_server, first_pass, places, run_folder, versions
from pipeline.run.accounts import some_of
from pipeline.run.first_pass import HeadersJob, Outcome, RefusedRead, ScanJob, ScanRead, Unchanged
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_scans import KnownScan
from pipeline.run.plan import WHY, Planned, hints_by_scan, limits_of, plan
from pipeline.scans.scan_header import ScanHeader
from pipeline.settings.whole import Settings
from pipeline.tables.atomic import write_bytes

Say = Callable[[str], None]
Work = Callable[[ScanJob], Outcome]

_HEADERS_AT_ONCE = 100
"""Scans whose headers one child looks at: a child costs as much as some thirty headers."""


def read_scans(
    run: Path,
    ledger: Ledger,
    refs: Sequence[ScanRef],
    refused: Sequence[tuple[ScanRef, Refusal]],
    settings: Settings,
    here: batch.Workplace,
    readers: batch.Workplace,
    say: Say,
    work: Work,
) -> dict[str, float]:
    """Read into the ledger what is not there yet or no longer holds; returns seconds by what they were spent on.

    `refused` are scans that were refused where they were found. `readers` read the scans; headers are looked at `here`.
    Raises RunError when the user stops it.
    """
    known = ledger.scans.all()
    digest, code = settings.first_pass_digest(), versions.first_pass()
    hints = hints_by_scan(ledger.specimens.all(), ledger.people.corrections())
    _keep_refused(run, ledger, refused, known)
    planned = plan(refs, known, hints, run_folder.with_all_pictures(run, known), digest, code)
    say(said_plan(refs, planned))
    if not planned:
        return {}
    began = time.monotonic()
    keeper = None
    try:
        headers = look_at_headers([p.ref for p in planned], settings, here)
        given_dpi = {scan for scan, rows in hints.items() if any(row.dpi for row in rows)}
        for line in said_headers(headers.values(), given_dpi):
            say(line)
        looked = time.monotonic()
        progress = batch.Progress(len(planned), settings.batch.report_seconds)
        bones_before = {name: facts.bones for name, facts in known.items()}
        keeper = Keeper(run, ledger, {p.ref.scan: p for p in planned}, bones_before, digest, code, progress)
        batch.run_batch(work, [_task(p, headers.get(p.ref.scan), settings) for p in planned], readers, keeper.take)
    except KeyboardInterrupt:
        done = keeper.progress.line() if keeper else "no scan was read"
        raise Interrupted(f"stopped: {done}. Give the same command again to go on") from None
    finally:
        if keeper:
            keeper.progress.close()
    return {"headers": looked - began, "first pass": time.monotonic() - looked}


def _keep_refused(
    run: Path, ledger: Ledger, refused: Sequence[tuple[ScanRef, Refusal]], known: Mapping[str, KnownScan]
) -> None:
    """Scans that cannot even be opened stand in the ledger like all others, so that the accounts balance."""
    for ref, refusal in refused:
        before = known.get(ref.scan)
        if before and before.refusal == refusal:
            continue
        facts = KnownScan(
            scan=ref.scan, path="", size=0, mtime_ns=0, sha256="", settings="", code="",
            hints="", cause="new", refusal=refusal,
        )  # fmt: skip
        ledger.scans.store(facts, ())
        run_folder.drop_pictures(run, ledger, ref.scan, 1, before.bones if before else 0)
        run_folder.log(run, {"scan": ref.scan, "cause": "new", "outcome": refusal.code, "detail": refusal.detail})


def said_plan(refs: Sequence[ScanRef], planned: Sequence[Planned]) -> str:
    """How many scans there are, and how many of them must be read, by cause."""
    why = Counter(p.cause for p in planned)
    done = len(refs) - len(planned)
    parts = [f"{done} done before"] if done else []
    return f"scans: {len(refs)} ({', '.join(parts + [f'{why[c]} {words}' for c, words in WHY.items() if why[c]])})"


# ------------------------------------------------------------------------------------------------ before the start
def look_at_headers(refs: Sequence[ScanRef], settings: Settings, here: batch.Workplace) -> dict[str, ScanHeader]:
    """Headers of scans, by name. Where even a look at a header ends a child, the scan's own reading will tell."""
    groups = [tuple(refs[i : i + _HEADERS_AT_ONCE]) for i in range(0, len(refs), _HEADERS_AT_ONCE)]
    if groups:
        child_server.begin()
    limits = limits_of(0, settings.batch)
    tasks = [batch.Task(HeadersJob(refs=group, settings=settings), limits) for group in groups]
    found: dict[str, ScanHeader] = {}

    def take(_: HeadersJob, headers: tuple[ScanHeader, ...] | Fault) -> None:
        if not isinstance(headers, Fault):
            found.update({header.scan: header for header in headers})

    batch.run_batch(first_pass.read_headers, tasks, here, take)
    return found


def said_headers(headers: Collection[ScanHeader], given_dpi: Collection[str]) -> list[str]:
    """What is known before the start to go wrong."""
    refused = [f"{h.scan} ({h.refusal[0]})" for h in headers if h.refusal]
    blind = [h.scan for h in headers if not h.refusal and h.dpi is None and h.scan not in given_dpi]
    lines = []
    if refused:
        lines.append(f"scans that will be refused: {len(refused)}: {some_of(sorted(refused), ', ')}")
    if blind:
        lines.append(
            f"scans without a resolution, so without millimetres: {len(blind)}: {some_of(sorted(blind), ', ')}"
        )
    return lines


def _task(planned: Planned, header: ScanHeader | None, settings: Settings) -> batch.Task[ScanJob]:
    most = settings.scan.most_megapixels
    megapixels = most if header is None else min(header.width * header.height / 1e6, most)
    job = ScanJob(ref=planned.ref, hints=planned.hints, settings=settings,
                  known_sha256=planned.known_sha256, bones=planned.bones)  # fmt: skip
    return batch.Task(job, limits_of(megapixels, settings.batch))


# ------------------------------------------------------------------------------------------------ one scan has ended
@dataclass(frozen=True, slots=True)
class Keeper:
    """Keeps what children found: pictures first, then the ledger, so that the ledger never says more than is there."""

    run: Path
    ledger: Ledger
    planned: Mapping[str, Planned]
    bones_before: Mapping[str, int]
    """Bones that earlier calls found, by scan."""
    settings: str
    code: str
    progress: batch.Progress

    def take(self, job: ScanJob, outcome: Outcome | Fault) -> None:
        """One scan has ended."""
        ref = job.ref
        line: dict[str, object] = {"scan": ref.scan, "cause": self.planned[ref.scan].cause}
        bones = flagged = 0
        others_hold = False
        match outcome:
            case Unchanged():
                self.ledger.scans.touch(self._facts(ref))
                line["outcome"] = "unchanged"
                others_hold = True
            case ScanRead(others_hold=others_hold):
                self._keep_pictures(outcome)
                facts = replace(self._facts(ref), sha256=outcome.sha256, width=outcome.width, height=outcome.height)
                self.ledger.scans.store(facts, outcome.bones, others_hold)
                bones, flagged = len(outcome.bones), sum(b.flagged for b in outcome.bones)
                seconds = {stage: round(s, 3) for stage, s in outcome.seconds.items()}
                line |= {
                    "outcome": "read",
                    "bones": bones,
                    "seconds": seconds,
                    "megabytes": round(outcome.peak_megabytes),
                }
            case RefusedRead(refusal=refusal):
                self.ledger.scans.store(replace(self._facts(ref), sha256=outcome.sha256, refusal=refusal), ())
                line |= {
                    "outcome": refusal.code,
                    "detail": refusal.detail,
                    "seconds": {"file": round(outcome.seconds, 3)},
                }
            case Fault():
                refusal = Refusal(scan=ref.scan, stage="process", code=outcome.code, detail=outcome.detail)
                self.ledger.scans.store(replace(self._facts(ref), refusal=refusal), ())
                line |= {"outcome": refusal.code, "detail": refusal.detail, "trace": outcome.trace}
        if not others_hold:
            run_folder.drop_pictures(self.run, self.ledger, ref.scan, bones + 1, self.bones_before.get(ref.scan, 0))
        run_folder.log(self.run, line)
        self.progress.step(refused=isinstance(outcome, RefusedRead | Fault), bones=bones, flagged=flagged)

    def _facts(self, ref: ScanRef) -> KnownScan:
        planned = self.planned[ref.scan]
        return KnownScan(
            scan=ref.scan,
            path=places.kept_path(self.run, ref.path),
            size=ref.size,
            mtime_ns=ref.mtime_ns,
            ctime_ns=ref.ctime_ns,
            inode=ref.inode,
            sha256="",
            settings=self.settings,
            code=self.code,
            hints=planned.hints_digest,
            cause=planned.cause,
        )

    def _keep_pictures(self, found: ScanRead) -> None:
        pictures = [(places.whole_scan(self.run, found.scan), found.whole)]
        pictures += [(places.crop(self.run, found.scan, number), jpeg) for number, jpeg in found.crops]
        self.ledger.files.claim(path.relative_to(self.run).as_posix() for path, _ in pictures)
        for path, jpeg in pictures:
            write_bytes(path, jpeg, replaceable=True)

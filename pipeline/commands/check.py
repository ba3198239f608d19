"""`opercle age --check`: what a call would do, without reading a scan or writing anything."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from pipeline.batch.batch import Here, spoken_seconds
from pipeline.commands.age import say_what_was_given
from pipeline.commands.asked import Asked, Request, ask
from pipeline.run import run_folder, versions
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_people import Correction
from pipeline.run.placing import listed_in, promised
from pipeline.run.plan import Planned, hints_by_scan, plan
from pipeline.run.reading_scans import look_at_headers, said_headers, said_plan

Say = Callable[[str], None]

SECONDS_A_BONE = 0.15
"""CPU of the whole command for a 600-dpi bone: tests/benchmarks, on one slow core."""
SECONDS_A_MEGAPIXEL = 0.03
"""CPU of decoding and searching a scan, on the same core."""


def check(request: Request, say: Say) -> tuple[str, ...]:
    """Check everything that was given and tell what the same call without --check would do.

    Raises OpercleError when it could not be done, as that call would.
    """
    asked = ask(request)
    say_what_was_given(asked, request.out, say)
    corrections: dict[tuple[str, int], Correction] = {}
    if run_folder.check(request.out):
        with Ledger(request.out) as ledger:
            corrections = ledger.people.corrections()
    hints = hints_by_scan(asked.rows, corrections)
    refs = (*asked.found.scans, *(ref for ref in asked.earlier.values() if ref is not None))
    pictures = run_folder.with_all_pictures(request.out, asked.known)
    digest, code = asked.settings.first_pass_digest(), versions.first_pass()
    planned = plan(refs, asked.known, hints, pictures, digest, code)
    here = Here(request.workers)
    try:
        headers = look_at_headers([p.ref for p in planned], asked.settings, here)
    finally:
        here.stop()
    for line in said_headers(headers.values(), {scan for scan, rows in hints.items() if any(r.dpi for r in rows)}):
        say(line)
    megapixels = sum(h.width * h.height / 1e6 for h in headers.values())
    return (
        said_plan(refs, planned),
        *_bones(asked),
        _seconds(planned, asked, megapixels, request.workers),
        "nothing was read or written; give the same line without --check to begin",
    )


def _bones(asked: Asked) -> Sequence[str]:
    if not asked.rows:
        return ("no table of specimens: bones are named by their files, and there will be no age classes",)
    listed = listed_in(asked.rows)
    without = [ref.scan for ref in asked.scans if ref.scan not in listed]
    undated = sum(row.captured is None for row in asked.rows)
    lines = [f"bones promised by the table: {len(asked.rows)} on {len(listed)} scans"]
    if undated:
        lines.append(f"bones without a date, so without an age class: {undated}")
    if without:
        lines.append(f"scans that no row of the table names: {len(without)} ({without[0]} ...)")
    return lines


def _seconds(planned: Sequence[Planned], asked: Asked, megapixels: float, workers: int) -> str:
    wanted = promised(listed_in(asked.rows))
    bones = sum(wanted.get(p.ref.scan, 1) for p in planned)
    seconds = max(2.0, (bones * SECONDS_A_BONE + megapixels * SECONDS_A_MEGAPIXEL) / workers + 1)
    return f"expected: about {spoken_seconds(seconds)} with {workers} at a time (a rough figure, from slow cores)"

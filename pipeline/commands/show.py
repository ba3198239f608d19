"""`opercle show`: what a run is, in ten lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from pathlib import Path

from pipeline.errors import RunError
from pipeline.records import MACHINE
from pipeline.run import run_folder
from pipeline.run.accounts import reasons_by_number
from pipeline.run.ledger import Ledger

_MOST = 5
"""Names in one line."""


def show(run: Path) -> tuple[str, ...]:
    """The run in a few lines, from what is stored. Raises RunError when it is none."""
    with Ledger(run) as ledger:
        ages = ledger.ages.all()
        if not ages:
            raise RunError(f"{run}: holds no ages yet; let `opercle age` with this --out come to its end")
        described = run_folder.described(ledger)
        scans = ledger.scans.all().values()
        readers = Counter(r.reader for r in ledger.people.readings())
        corrections = len(ledger.people.corrections())
        queue, read = ledger.queue.all(), {r.specimen for r in ledger.people.readings()}
        calls = ledger.ages.calls()
    refused = sum(s.refusal is not None for s in scans)
    aged = [a for a in ages if a.age.status == "aged"]
    dates = sorted(str(a.specimen.captured) for a in ages if a.specimen.captured)
    by_people = sum(a.final.counted_by not in ("", MACHINE) for a in ages)
    last = calls[-1] if calls else None
    files = described.get("settings_files")
    versions = described.get("versions")
    version = versions.get("opercle", "") if isinstance(versions, dict) else ""
    made_with = ", ".join(files) if isinstance(files, list) and files else "as shipped"
    fish = len({a.specimen.fish for a in ages})
    reasons = reasons_by_number(a.age for a in ages)
    why = ", ".join(f"{code} {n}" for code, n in list(reasons.items())[:_MOST])
    counted = ", ".join(f"{name} ({n})" for name, n in readers.most_common(_MOST))
    by_whom = f"readings {readers.total()} by {counted}" if readers else "no readings yet"
    people = f"corrected bones {corrections}; final counts by people {by_people}"
    return (
        f"run {run.resolve().name}, made with opercle {version}, settings {made_with}",
        f"scans {len(scans)} = read {len(scans) - refused} + refused {refused}",
        f"bones {len(ages)} = aged {len(aged)} + unreadable {len(ages) - len(aged)}, of {fish} fish",
        f"species {_named(a.specimen.species for a in ages)}; waters {_named(a.specimen.water for a in ages)}",
        f"captured {f'{dates[0]} to {dates[-1]}' if dates else 'not known'}",
        f"for a person to look at {sum(a.age.review for a in ages)}{f', because of {why}' if why else ''}",
        f"{by_whom}; {people}",
        f"queue {len(queue)}, of these read {len(set(queue) & read)}" if queue else "no queue yet: opercle triage",
        f"ages last changed by call {last.number} ({last.command}, {last.finished})" if last else "ages never changed",
        f"results in {run / 'ages.csv'}, {run / 'fish.csv'}, {run / 'report.html'}",
    )


def _named(names: Iterable[str]) -> str:
    found = Counter(name or "not given" for name in names)
    some = ", ".join(f"{name} {n}" for name, n in found.most_common(_MOST))
    return some + (" ..." if len(found) > _MOST else "")

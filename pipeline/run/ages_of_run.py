"""The second pass over a whole run: readings in the ledger -> ages -> tables and pictures."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from pipeline.batch.batch import Workplace
from pipeline.codes import REFUSALS
from pipeline.records import Age, Reading, Refusal, Specimen
from pipeline.run import placing, versions
from pipeline.run.accounts import Accounts, bones_without_row, reasons_by_number, trays_in_doubt
from pipeline.run.changes import changes
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_ages import AgedBone, Call
from pipeline.run.people_tables import FISH_FILE, SIDE_BY_SIDE_FILE, write_people_tables
from pipeline.run.pictures_of_run import bring_up_to_date
from pipeline.run.plan import corrected
from pipeline.run.record_text import digest_of
from pipeline.run.results import TABLES, Result, write_tables
from pipeline.settings.whole import Settings
from pipeline.together.age_of_bone import Placed
from pipeline.together.both_sides import LEAST_FISH, check_sides
from pipeline.together.final_ages import by_specimen, final_ages, readers_differ
from pipeline.together.second_pass import age_bones

Say = Callable[[str], None]


def age_run(
    run: Path, ledger: Ledger, settings: Settings, place: Workplace, say: Say, *, command: str = "age"
) -> Accounts:
    """Age every bone of the run and bring tables and pictures up to date.

    `command` is the one that the user gave: it stands in the list of the calls that changed the ages.
    """
    scans = ledger.scans.all()
    rows = rows_of(ledger)
    placed = placing.place(rows, ledger.scans.measures(), scans)
    readings = by_specimen(ledger.people.readings())
    ages = _ages(placed, readings, settings)
    finals = final_ages([(p.specimen, a) for p, a in zip(placed, ages, strict=True)], readings, settings)
    sources = _sources(placed, ledger, readings, settings)
    results = [
        Result(specimen=p.specimen, reading=p.reading, age=a, final=f, sources=s)
        for p, a, f, s in zip(placed, ages, finals, sources, strict=True)
    ]
    now = [AgedBone(specimen=r.specimen, age=r.age, final=r.final, sources=r.sources) for r in results]
    call = _call(ledger, command)
    before = ledger.ages.unlike(now)
    changed = tuple(changes(before, now, {name: scan.cause for name, scan in scans.items()}, call.number))
    differs = bool(before) or list(ledger.ages.specimens()) != [r.specimen.specimen for r in results]
    all_changes = (*ledger.ages.changes(), *changed)
    refusals = [scan.refusal for scan in scans.values() if scan.refusal]
    ledger.files.claim((*TABLES, FISH_FILE, *([SIDE_BY_SIDE_FILE] * bool(readings))))
    tables = write_tables(run, results, ledger.specimens.extra_columns(), refusals, all_changes)
    for name, written in (tables | write_people_tables(run, results, readings)).items():
        if written != name:
            say(f"{name} is open in another program; the new table is beside it, in {written}")
    # The ages come last: until they are kept, the next call tells the same changes again.
    ledger.ages.store(now, changed, call if differs else None)
    bring_up_to_date(run, ledger, results, placing.promised(rows), settings, place, say)
    for line in (*_refusals_by_cause(refusals), *_about_the_machine(placed, ages)):
        say(line)
    aged = sum(a.status == "aged" for a in ages)
    wanted = placing.promised(rows)
    least = settings.review.least_age_probability
    found = Counter(p.specimen.scan for p in placed if p.reading is not None)
    return Accounts(
        scans=len(scans), read=len(scans) - len(refusals), refused=len(refusals), bones=len(ages), aged=aged,
        unreadable=len(ages) - aged, review=sum(a.review for a in ages), changed=len({c.specimen for c in changed}),
        unsure_age_classes=sum(a.age_class_probability is not None and a.age_class_probability < least for a in ages),
        reasons=reasons_by_number(ages), trays=trays_in_doubt(placed, ages, wanted),
        without_row=bones_without_row(placed),
        sheets=sum(n > 1 or wanted.get(scan, n) != n for scan, n in found.items()),
    )  # fmt: skip


def rows_of(ledger: Ledger) -> list[Specimen]:
    """Rows of the specimens table with the people's corrections in."""
    corrections = ledger.people.corrections()
    return [corrected(row, corrections) for row in ledger.specimens.all()]


def _call(ledger: Ledger, command: str) -> Call:
    """This call, should it change anything: only such calls are counted, so that a call that was interrupted and given
    again leaves the same tables."""
    number = len(ledger.ages.calls()) + 1
    return Call(number=number, command=command, finished=datetime.now(UTC).isoformat(timespec="seconds"))


def _ages(placed: Sequence[Placed], readings: Mapping[str, Sequence[Reading]], settings: Settings) -> tuple[Age, ...]:
    around = [replace(p.around, readers_differ=readers_differ(readings.get(p.specimen.specimen, ()))) for p in placed]
    return age_bones([(p.specimen, p.reading) for p in placed], settings, around)


def _refusals_by_cause(refusals: Sequence[Refusal]) -> Iterator[str]:
    """Each reason once, with its cure: what to do before the fish are thrown away."""
    for code, many in Counter(r.code for r in refusals).items():
        meaning = REFUSALS[code]
        yield f"refused as {code}: {many}: {meaning.means}; {meaning.cure}"


def _about_the_machine(placed: Sequence[Placed], ages: Sequence[Age]) -> Iterator[str]:
    """What the run itself tells of how far the machine can be trusted on it."""
    aged = [(p.specimen, age) for p, age in zip(placed, ages, strict=True) if age.status == "aged"]
    strange = sum("unfamiliar" in age.reasons for _, age in aged)
    if strange:
        yield (
            f"unlike what the machine was taught on: {strange} of {len(aged)} bones; have a random fifty of this run "
            "read and give the readings to opercle refit"
        )
    sides = check_sides(
        [specimen.fish for specimen, _ in aged],
        [specimen.side for specimen, _ in aged],
        [age.annuli or 0 for _, age in aged],
        [age.confidence or 0.0 for _, age in aged],
    )
    if sides.fish >= LEAST_FISH:
        yield sides.line()


def _sources(
    placed: Sequence[Placed], ledger: Ledger, readings: Mapping[str, Sequence[Reading]], settings: Settings
) -> list[dict[str, str]]:
    """Digests of all that each age is made from."""
    bones = ledger.scans.digests()
    refusals = {name: scan.refusal for name, scan in ledger.scans.all().items()}
    shared = {"settings": settings.second_pass_digest(), "code": versions.second_pass()}
    sources = []
    for p in placed:
        s = p.specimen
        refusal = refusals[s.scan]
        bone = bones[s.scan, s.bone] if p.reading else refusal.code if refusal else "missing"
        sources.append({"bone": bone, "row": digest_of(s), "people": digest_of(readings.get(s.specimen, ())), **shared})
    return sources

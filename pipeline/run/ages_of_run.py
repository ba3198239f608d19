"""The second pass over a whole run: readings in the ledger -> ages -> tables and pictures.

Bones are read from the ledger, aged and written some at a time: a run of any size takes the memory of a small one.
"""

from __future__ import annotations

import gc
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from itertools import islice
from pathlib import Path

from pipeline.batch.batch import Workplace
from pipeline.records import Reading, Specimen
from pipeline.run import placing, versions
from pipeline.run.accounts import Accounts, Tally, refusals_by_cause
from pipeline.run.changes import changes
from pipeline.run.file_shelf import FileShelf
from pipeline.run.ledger import Ledger
from pipeline.run.ledger_ages import AgedBone, Call, Change
from pipeline.run.people_tables import FISH_FILE, SIDE_BY_SIDE_FILE, write_people_tables
from pipeline.run.pictures_of_run import bring_up_to_date
from pipeline.run.plan import corrected
from pipeline.run.record_text import digest_of
from pipeline.run.results import TABLES, Result, write_tables
from pipeline.settings.whole import Settings
from pipeline.together.age_of_bone import Placed
from pipeline.together.final_ages import by_specimen, final_age, readers_differ
from pipeline.together.second_pass import PlacedAge, age_in_parts

Say = Callable[[str], None]
AT_ONCE = 500
"""Bones in hand at a time: some ten megabytes."""


def age_run(
    run: Path, ledger: Ledger, settings: Settings, place: Workplace, say: Say, *, command: str = "age"
) -> Accounts:
    """Age every bone of the run and bring tables and pictures up to date.

    `command` is the one that the user gave: it stands in the list of the calls that changed the ages.
    """
    readings = by_specimen(ledger.people.readings())
    call = _call(ledger, command)
    tally = Tally(least_probability=settings.review.least_age_probability)
    refusals = ledger.scans.refusals()
    ledger.files.claim((*TABLES, FISH_FILE, *([SIDE_BY_SIDE_FILE] * bool(readings))))
    ledger.drafts.begin()
    with ExitStack() as shelves, _collector_at_rest():
        shelf = partial(_on, shelves, run)
        aged = age_in_parts(lambda: parts_of(placed_bones(ledger)), settings, shelf)
        parts = _drafted(aged, ledger, readings, settings, call, tally)
        tables = write_tables(run, parts, ledger.specimens.extra_columns(), refusals, ledger.ages.changes())
        tables |= write_people_tables(run, ledger.drafts.of_each_fish(), tally.read, readings)
    for name, written in tables.items():
        if written != name:
            say(f"{name} is open in another program; the new table is beside it, in {written}")
    # The ages come last: until they are kept, the next call tells the same changes again.
    ledger.drafts.store(call, differ=tally.differ)
    promised = placing.promised(ledger.specimens.listed())
    bring_up_to_date(run, ledger, promised, settings, place, say)
    for line in (*refusals_by_cause(refusals), *tally.about_the_machine()):
        say(line)
    return tally.accounts(ledger.scans.found(), refusals, promised, ledger.scans.many())


def _on(shelves: ExitStack, run: Path) -> FileShelf:
    return shelves.enter_context(FileShelf(run))


@contextmanager
def _collector_at_rest() -> Iterator[None]:
    """In the block records come and go by the thousand, none of them in a circle: looking for circles would take a
    quarter of the time."""
    works = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if works:
            gc.enable()


def placed_bones(ledger: Ledger) -> Iterator[Placed]:
    """Every bone of the run, in the order of ages.csv, with people's corrections in."""
    readings = by_specimen(ledger.people.readings())
    for bone in placing.place(_Rows(ledger), ledger.specimens.listed(), ledger.scans):
        differ = readers_differ(readings.get(bone.specimen.specimen, ()))
        yield replace(bone, around=replace(bone.around, readers_differ=True)) if differ else bone


class _Rows:
    """Rows of the specimens table with the people's corrections in, as often as they are asked for."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger

    def __iter__(self) -> Iterator[Specimen]:
        corrections = self._ledger.people.corrections()
        return (corrected(row, corrections) for row in self._ledger.specimens.each())


def parts_of(bones: Iterator[Placed]) -> Iterator[list[Placed]]:
    """The same, as many at a time as are aged together."""
    return iter(lambda: list(islice(bones, AT_ONCE)), [])


def _call(ledger: Ledger, command: str) -> Call:
    """This call, should it change anything: only such calls are counted, so that a call that was interrupted and given
    again leaves the same tables."""
    number = len(ledger.ages.calls()) + 1
    return Call(number=number, command=command, finished=datetime.now(UTC).isoformat(timespec="seconds"))


def _drafted(
    parts: Iterable[Sequence[PlacedAge]],
    ledger: Ledger,
    readings: Mapping[str, Sequence[Reading]],
    settings: Settings,
    call: Call,
    tally: Tally,
) -> Iterator[tuple[list[Result], list[Change]]]:
    """Rows of ages.csv and what changes in them, noted in the ledger's drafts and in the tally on their way."""
    shared = {"settings": settings.second_pass_digest(), "code": versions.second_pass()}
    for part in parts:
        results = [_result(one, readings.get(one.age.specimen, ()), shared, settings) for one in part]
        now = [AgedBone(specimen=r.specimen, age=r.age, final=r.final, sources=r.sources) for r in results]
        before = ledger.drafts.add(now)
        told = list(changes(before, now, _causes(ledger, before), call.number))
        ledger.drafts.note(told)
        tally.add(part, told, before)
        tally.read += [r for r in results if r.specimen.specimen in readings]
        yield results, told


def _causes(ledger: Ledger, bones: Iterable[AgedBone]) -> dict[str, str]:
    """Why the scans of some bones were read the last time."""
    known = (ledger.scans.one(scan) for scan in {bone.specimen.scan for bone in bones})
    return {facts.scan: facts.cause for facts in known if facts}


def _result(one: PlacedAge, readings: Sequence[Reading], shared: Mapping[str, str], settings: Settings) -> Result:
    """A row with digests of all that the age is made from."""
    row, reading, digest = one.placed.specimen, one.placed.reading, one.placed.digest
    sources = {"bone": digest, "row": digest_of(row), "people": digest_of(readings), **shared}
    final = final_age(row, one.age, readings, settings)
    return Result(specimen=row, reading=reading, age=one.age, final=final, sources=sources)

"""CPU and memory of the second pass, from a ledger filled by repetition to the tables, pictures left out.

    python -m tests.benchmarks.second_pass [BONES...]

Some bones are drawn and read; each ledger is made of these, over and over, each time with other noise on the evidence
and another date and length. Every size is aged in a process of its own (Linux), once as a command does it and once
more without ledger and tables.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from array import array
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.batch.limits import Limits
from pipeline.commands.age import age
from pipeline.commands.asked import Request
from pipeline.commands.simulate import simulate
from pipeline.records import BoneReading, Captured, Specimen
from pipeline.run import run_folder
from pipeline.run.ages_of_run import age_run, parts_of, placed_bones
from pipeline.run.ledger import Ledger
from pipeline.run.record_text import kept
from pipeline.settings.files import read_settings
from pipeline.simulate.variety import Variety
from pipeline.together.second_pass import age_in_parts
from tests.benchmarks.cost import peak_megabytes

SIZES = (1_000, 10_000)
DRAWN = 60
MOST_ALONE = 10_000
"""Bones aged once more without ledger and tables: these are held."""
NOISE = 0.2
"""Standard deviation of what is added to the evidence, in its own standard deviations."""
ONE = "one"
"""Given before the folder of a ledger: age the bones of that one, in this process."""


class NothingDrawn:
    """A place of work that draws no picture and says that it did."""

    workers = 1

    def submit(self, work: Callable[[Any], Any], job: Any, limits: Limits) -> Future[Any]:
        """Done at once."""
        done: Future[Any] = Future()
        done.set_result(None)
        return done

    def stop(self) -> None:
        """There is nothing in hand."""


def drawn_bones(folder: Path) -> list[tuple[Specimen, BoneReading]]:
    """Bones drawn and read by the whole command, with their rows."""
    drawn, run = folder / "drawn", folder / "run"
    simulate(drawn, DRAWN, 1, Variety(makes=["layered"], dpis=(300,)))
    age(Request(scans=(drawn / "scans",), out=run, specimens=drawn / "specimens.csv", workers=2), lambda _: None)
    with Ledger(run) as ledger:
        rows = {(row.scan, row.bone): row for row in ledger.specimens.all()}
        found = [bone for bones in ledger.scans.measures().values() for bone in bones]
    return [(rows[b.scan, b.number], b) for b in found if (b.scan, b.number) in rows]


def many(some: Sequence[tuple[Specimen, BoneReading]], number: int) -> Iterator[tuple[Specimen, BoneReading]]:
    """So many bones, no two alike."""
    random = np.random.default_rng(1)
    scale = NOISE * np.array(read_settings().evidence.scale)
    for n in range(number):
        row, reading = some[n % len(some)]
        marks = tuple(
            replace(m, evidence=array("d", np.array(m.evidence) + random.normal(0, 1, len(scale)) * scale))
            for m in reading.marks
        )
        date = Captured(year=2020, month=int(random.integers(1, 13)), day=int(random.integers(1, 29)))
        length = None if row.length_mm is None else row.length_mm * float(random.uniform(0.9, 1.1))
        row = replace(row, specimen=f"B{n}", fish=f"B{n}", scan=f"s{n}.png", bone=1, captured=date, length_mm=length)
        yield row, replace(reading, scan=row.scan, number=1, marks=marks)


def filled(run: Path, read: Path, some: Sequence[tuple[Specimen, BoneReading]], number: int) -> None:
    """Make a run of so many bones; the facts of its scans are those of one scan of the run `read`."""
    with Ledger(read) as ledger:
        facts = next(f for f in ledger.scans.all().values() if not f.refusal)
    run_folder.make(run)
    rows = []
    with Ledger(run, create=True) as ledger:
        run_folder.tidy(run, ledger)
        for row, reading in many(some, number):
            ledger.scans.store(replace(facts, scan=row.scan), [kept(reading)])
            rows.append(row)
        ledger.specimens.store(rows, ())


def aged(run: Path) -> None:
    """Age the bones of a run in this process, and print what it took."""
    settings = read_settings()
    with Ledger(run) as ledger:
        began, worked = time.monotonic(), time.process_time()
        found = age_run(run, ledger, settings, NothingDrawn(), lambda _: None)
        worked, took = time.process_time() - worked, time.monotonic() - began
        peak = peak_megabytes()
        held = [list(part) for part in parts_of(islice(placed_bones(ledger), MOST_ALONE))]
    alone = time.process_time()
    for _ in age_in_parts(lambda: held, settings, list):
        pass
    alone = time.process_time() - alone
    print(
        f"second pass, {found.bones} bones ({found.aged} aged): {took:.1f} s, {worked:.1f} s of CPU; "
        f"{peak:.0f} megabytes at most; ages of {sum(map(len, held))} alone, without ledger and tables: {alone:.1f} s"
    )


def main(*given: str) -> None:
    """Print the figures."""
    if given[:1] == (ONE,):
        aged(Path(given[1]))
        return
    with tempfile.TemporaryDirectory() as folder:
        some = drawn_bones(Path(folder))
        for number in [int(n) for n in given] or SIZES:
            run = Path(folder) / f"run-{number}"
            filled(run, Path(folder) / "run", some, number)
            subprocess.run([sys.executable, "-m", "tests.benchmarks.second_pass", ONE, str(run)], check=True)


if __name__ == "__main__":
    main(*sys.argv[1:])

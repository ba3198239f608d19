"""Time of the second pass over ten thousand bones.

    python -m tests.benchmarks.second_pass [BONES]

Some bones are drawn and read; the run is made of these, over and over, each time with other noise on the evidence and
another date and length.
"""

from __future__ import annotations

import sys
import tempfile
import time
from array import array
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.commands.age import age
from pipeline.commands.asked import Request
from pipeline.commands.simulate import simulate
from pipeline.records import BoneReading, Captured, Specimen
from pipeline.run.ledger import Ledger
from pipeline.settings.files import read_settings
from pipeline.simulate.variety import Variety
from pipeline.together.second_pass import age_bones

DRAWN = 60
NOISE = 0.2
"""Standard deviation of what is added to the evidence, in its own standard deviations."""


def drawn_bones(folder: Path) -> list[tuple[Specimen, BoneReading]]:
    """Bones drawn and read by the whole command, with their rows."""
    drawn, run = folder / "drawn", folder / "run"
    simulate(drawn, DRAWN, 1, Variety(makes=["layered"], dpis=(300,)))
    age(Request(scans=(drawn / "scans",), out=run, specimens=drawn / "specimens.csv", workers=2), lambda _: None)
    with Ledger(run) as ledger:
        rows = {(row.scan, row.bone): row for row in ledger.specimens.all()}
        found = [bone for bones in ledger.scans.measures().values() for bone in bones]
    return [(rows[b.scan, b.number], b) for b in found if (b.scan, b.number) in rows]


def many(some: Sequence[tuple[Specimen, BoneReading]], number: int) -> list[tuple[Specimen, BoneReading]]:
    """So many bones, no two alike."""
    random = np.random.default_rng(1)
    scale = NOISE * np.array(read_settings().evidence.scale)
    out = []
    for n in range(number):
        row, reading = some[n % len(some)]
        marks = tuple(
            replace(m, evidence=array("d", np.array(m.evidence) + random.normal(0, 1, len(scale)) * scale))
            for m in reading.marks
        )
        date = Captured(year=2020, month=int(random.integers(1, 13)), day=int(random.integers(1, 29)))
        length = None if row.length_mm is None else row.length_mm * float(random.uniform(0.9, 1.1))
        row = replace(row, specimen=f"B{n}", fish=f"B{n}", scan=f"s{n}.png", bone=1, captured=date, length_mm=length)
        out.append((row, replace(reading, scan=row.scan, number=1, marks=marks)))
    return out


def main(number: int = 10_000) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        bones = many(drawn_bones(Path(folder)), number)
    settings = read_settings()
    age_bones(bones[:10], settings)
    began, worked = time.monotonic(), time.process_time()
    ages = age_bones(bones, settings)
    worked, took = time.process_time() - worked, time.monotonic() - began
    aged = sum(a.status == "aged" for a in ages)
    print(f"second pass, {number} bones ({aged} aged): {took:.1f} s, {worked:.1f} s of CPU")


if __name__ == "__main__":
    main(*(int(given) for given in sys.argv[1:]))

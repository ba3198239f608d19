"""Peak memory of the parent over runs of many small scans.

    python -m tests.benchmarks.memory [SCANS...]

Runs the whole command over as many copies of one small drawn scan (hard links; 10,000 take some ten minutes on two
cores), each run in a process of its own, and prints the peak of that process.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

from pipeline.commands.simulate import simulate
from pipeline.simulate.variety import Variety
from tests.benchmarks.cost import cost_of

SIZES = (1_000, 10_000)


def copies(folder: Path, number: int) -> Path:
    """A folder of so many copies of the smallest of a few drawn scans."""
    drawn = folder / "drawn"
    if not drawn.exists():
        simulate(drawn, 12, 1, Variety(makes=["layered"], dpis=(300,), tray_share=0.0, levels=("clean",)))
    small = min((drawn / "scans").iterdir(), key=lambda path: path.stat().st_size)
    scans = folder / f"scans-{number}"
    scans.mkdir()
    for n in range(number):
        os.link(small, scans / f"bone-{n:05d}{small.suffix}")
    return scans


def main(*sizes: int) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as folder:
        for number in sizes or SIZES:
            scans = copies(Path(folder), number)
            run = Path(folder) / f"run-{number}"
            cost = cost_of(["-m", "pipeline.cli", "age", str(scans), "--out", str(run)])
            print(
                f"{number} scans: the parent held {cost.parent_megabytes:.0f} megabytes at most; "
                f"{cost.cpu_seconds / number:.3f} s of CPU a scan, {cost.seconds:.0f} s"
            )


if __name__ == "__main__":
    main(*(int(given) for given in sys.argv[1:]))

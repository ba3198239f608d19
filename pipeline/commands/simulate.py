"""`opercle simulate`: draws bones with known marks, with their specimens table and their truth."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from pipeline.batch.steps import Steps
from pipeline.errors import RunError
from pipeline.simulate.draw import draw_scans
from pipeline.simulate.plan import DrawnScan
from pipeline.simulate.variety import Variety
from pipeline.tables.drawn_set import Drawn, write_set

REPORT_SECONDS = 10.0
"""Between two lines of progress where there is no terminal."""


def simulate(out: Path, n: int, seed: int, variety: Variety | None = None) -> Drawn:
    """Draw `n` bones into the folder `out`: scans/, specimens.csv, truth.csv, truth_annuli.csv and truth_arcs.csv.

    Raises RunError when the folder holds anything already.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise RunError(f"{out}: is not an empty folder; give another name: nothing is overwritten")
    with Steps(n, "bones drawn", REPORT_SECONDS) as steps:
        return write_set(out, _counted(draw_scans(n, seed, variety), steps))


def _counted(scans: Iterable[DrawnScan], steps: Steps) -> Iterator[DrawnScan]:
    for scan in scans:
        yield scan
        steps.step(len(scan.tables.truth))

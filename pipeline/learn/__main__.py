"""Fit all fitted numbers to bones drawn for it, and write configs/fitted.toml.

    python -m pipeline.learn --out configs/fitted.toml

Draws its sets with `simulate` alone, finds the weights of the focus, reads the bones, fits evidence and sequence,
leaves every make out in turn to fit doubts and confidence, prints how each make left out was counted, and writes the
whole file. The same command with the same versions writes the same file to the last byte. Drawn sets and readings are
kept in a folder (--kept-in), so that a second call goes on where one stopped; the readings there are pickles, so give a
folder that only you write to.
"""

from __future__ import annotations

import argparse
import multiprocessing
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pandas as pd
from threadpoolctl import threadpool_limits

from pipeline.learn.figures import by_make
from pipeline.learn.fit_counting import fit_counting, lessons
from pipeline.learn.fit_focus import fit_focus, focus_candidates
from pipeline.learn.fit_judging import fit_judging, left_out
from pipeline.learn.fitted_file import as_toml
from pipeline.learn.known_bones import KEPT_IN, read_sets
from pipeline.learn.sets import MAKE_NAMES, SEED, drawn, plans
from pipeline.learn.unfitted import unfitted
from pipeline.settings.files import read_settings
from pipeline.tables.atomic import write_text

BONES_A_MAKE = 240


def main() -> None:
    """Draw, read, fit and write."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--out", required=True, type=Path, help="the file to write")
    options.add_argument("--bones", type=int, default=BONES_A_MAKE, help="of every make (default: %(default)s)")
    options.add_argument("--keep-focus", action="store_true", help="the weights of the focus stay as shipped")
    options.add_argument("--workers", type=int, default=1, help="sets drawn and read at once")
    options.add_argument(
        "--kept-in", type=Path, default=KEPT_IN, help="folder of sets and readings (default: %(default)s)"
    )
    given = options.parse_args()
    with threadpool_limits(1):  # sums in another order would change the last digits
        table, text = fitted(given.bones, given.kept_in, given.workers, keep_focus=given.keep_focus)
    print(table.to_string())
    write_text(given.out, text)


def fitted(
    bones: int, kept_in: Path, workers: int, *, keep_focus: bool, makes: Sequence[str] = MAKE_NAMES
) -> tuple[pd.DataFrame, str]:
    """Figures of makes left out, and the text of the file."""
    settings = unfitted(read_settings())
    sets = plans(bones, makes)
    folders = drawn(sets, kept_in / "sets", workers)
    _tell(f"drawn: {len(sets)} sets")
    made = [f"{bones} bones of each of {len(makes)} makes, seed {SEED}"]
    if keep_focus:
        made.append("the focus is that of an earlier fit")
    else:
        with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
            each = pool.map(focus_candidates, folders, [settings] * len(folders))
            candidates = [c for own in each for c in own]
        settings = settings.model_copy(update={"focus": fit_focus(candidates, settings.focus)})
        _tell(f"focus: fitted to {len(candidates)} bones")
    shown = [k for own in read_sets(folders, settings, kept_in, workers, shown=True) for k in own]
    found = [k for own in read_sets(folders, settings, kept_in, workers) for k in own]
    taught, asked = lessons(shown, settings), lessons(found, settings)
    _tell(f"read: {len(taught)} bones to teach, {len(asked)} to ask, of {len(found)}")
    answers = left_out(taught, asked, settings)
    settings, rows = fit_judging(answers, settings)
    _tell("doubts and confidence: fitted")
    settings = fit_counting(taught, settings)
    made.append(f"evidence and sequence from {len(taught)} of them, doubts and confidence from {len(asked)}")
    return by_make(rows), as_toml(settings, made)


def _tell(line: str) -> None:
    print(f"{time.strftime('%H:%M:%S')} {line}", file=sys.stderr, flush=True)


if __name__ == "__main__":
    main()

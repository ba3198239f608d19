"""Age bones of known age and say how well it went.

    python -m tests.accuracy.study SET... --out FOLDER

A SET is a folder that `opercle simulate` writes; each is aged as one run. Prints figures of all bones and by make,
level, lighting, species, age and dpi. Writes accuracy.csv (the same), bones.csv (a row a bone), accuracy.png (error by
age, reliability, error left against share kept) and worst.jpg (overlays of thirty wrong bones, those kept without
review first).

Sets of makes that the numbers were fitted to flatter. What a make scores that nothing was fitted to is printed by
`python -m pipeline.learn`, which leaves every make out in turn.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
from threadpoolctl import threadpool_limits

from pipeline.learn.known_bones import KEPT_IN, KnownBone, read_sets
from pipeline.records import Age
from pipeline.settings.files import read_settings
from pipeline.settings.whole import Settings
from tests.accuracy.figures import as_text, by_group, outcome_rows
from tests.accuracy.study_pictures import draw_plots, draw_worst
from tests.whole_run import age_bones


def main() -> None:
    """Age the sets and write what came of it."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("sets", nargs="+", type=Path, metavar="SET")
    options.add_argument("--out", required=True, type=Path, metavar="FOLDER")
    options.add_argument("--settings", action="append", default=[], help="a settings file on top of the shipped ones")
    options.add_argument("--workers", type=int, default=1, help="sets read at once")
    options.add_argument("--kept-in", type=Path, default=KEPT_IN, help="where readings are kept (default: %(default)s)")
    given = options.parse_args()
    with threadpool_limits(1):  # sums in another order would change the last digits
        settings = read_settings(given.settings)
        study(given.sets, read_sets(given.sets, settings, given.kept_in, given.workers), given.out, settings)


def study(folders: Sequence[Path], sets: Sequence[Sequence[KnownBone]], out: Path, settings: Settings) -> None:
    """Age some sets; print the table and write it with its pictures."""
    out.mkdir(parents=True, exist_ok=True)
    ages = [ages_of(known, settings) for known in sets]
    rows = pd.concat([outcome_rows(k, a) for k, a in zip(sets, ages, strict=True)], ignore_index=True)
    rows.drop(columns="marks_off_px").to_csv(out / "bones.csv", index=False, float_format="%.4f")
    table = by_group(rows)
    print(as_text(table), flush=True)
    table.to_csv(out / "accuracy.csv", index_label="bones", float_format="%.4f")
    draw_plots(rows, out / "accuracy.png")
    of_bone = [folder for folder, own in zip(folders, sets, strict=True) for _ in own]
    known, aged = [k for own in sets for k in own], [a for own in ages for a in own]
    draw_worst(known, aged, of_bone, out / "worst.jpg", settings)


def ages_of(known: Sequence[KnownBone], settings: Settings) -> list[Age]:
    """Ages of one set, as one run gives them."""
    return list(age_bones([(k.specimen, k.placed.reading) for k in known], settings, [k.placed.around for k in known]))


if __name__ == "__main__":
    main()

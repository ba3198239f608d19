"""Age bones of known age and say how well it went.

    python -m tests.accuracy.study SET... --out FOLDER

A SET is a folder that `opercle simulate` writes; each is aged as one run. Prints figures of all bones and by level,
lighting, species, age, dpi and outline. Writes accuracy.csv (the same), bones.csv (a row a bone), accuracy.png (error
by age, reliability, error left against share kept) and worst.jpg (overlays of thirty wrong bones, those kept without
review first).

Sets that the numbers were fitted to flatter: draw others (`opercle simulate`, another seed).

The questions behind the options refit evidence, sequence, confidence and first year (the focus stays as shipped), from
the sets of --fit-on, else from the SETs themselves without the bones asked about.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
from threadpoolctl import threadpool_limits

from pipeline.commands.simulate import simulate
from pipeline.settings import Settings
from pipeline.settings_files import read_settings
from tests.accuracy.draw_sets import irregular
from tests.accuracy.figures import as_text, by_group, outcome_rows
from tests.accuracy.held_out import KINDS, ages_of, left_out, without_priors
from tests.accuracy.known_bones import KEPT_IN, KnownBone, read_sets
from tests.accuracy.study_pictures import draw_plots, draw_worst

Set = tuple[KnownBone, ...]


def main() -> None:
    """Age the sets and write what came of it."""
    given = _options()
    with threadpool_limits(1):  # sums in another order would change the last digits
        settings = read_settings(given.settings)
        sets = read_sets(given.sets, settings, given.kept_in, given.workers) if given.sets else ()
        teachers = read_sets(given.fit_on, settings, given.kept_in, given.workers) if given.fit_on else ()
        if sets:
            study(given.sets, sets, given.out, settings)
        if given.irregular:
            drawn = given.out / "irregular" / f"drawn-{given.irregular}-{given.seed}"
            if not drawn.exists():
                simulate(drawn, given.irregular, given.seed, irregular())
            print("\nIrregular growth")
            own = read_sets([drawn], settings, given.kept_in)
            study([drawn], own, given.out / "irregular", settings)
        if given.without_priors:
            _tell(without_priors(sets, teachers, settings), given.out / "without_priors.csv")
        for kind in given.leave_out:
            _tell(left_out(kind, sets, teachers, settings), given.out / f"left_out_{kind}.csv")


def study(folders: Sequence[Path], sets: Sequence[Set], out: Path, settings: Settings) -> None:
    """Age some sets; print the table and write it with its pictures."""
    out.mkdir(parents=True, exist_ok=True)
    ages = [ages_of(known, settings) for known in sets]
    rows = pd.concat([outcome_rows(k, a) for k, a in zip(sets, ages, strict=True)], ignore_index=True)
    rows.drop(columns="marks_off_px").to_csv(out / "bones.csv", index=False, float_format="%.4f")
    _tell(by_group(rows), out / "accuracy.csv")
    draw_plots(rows, out / "accuracy.png")
    of_bone = [folder for folder, own in zip(folders, sets, strict=True) for _ in own]
    known, told = [k for own in sets for k in own], [a for own in ages for a in own]
    draw_worst(known, told, of_bone, out / "worst.jpg", settings)


def _options() -> argparse.Namespace:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("sets", nargs="*", type=Path, metavar="SET")
    options.add_argument("--out", required=True, type=Path, metavar="FOLDER")
    options.add_argument(
        "--irregular",
        type=int,
        default=0,
        metavar="N",
        help="draw N bones whose good and poor years are those of old pines' ring widths, and write the same "
        "of them into FOLDER/irregular; drawn once, then used again",
    )
    options.add_argument("--seed", type=int, default=1, help="of the bones drawn (default: %(default)s)")
    options.add_argument("--without-priors", action="store_true", help="what growth and season give")
    options.add_argument(
        "--leave-out",
        action="append",
        default=[],
        choices=KINDS,
        help="age the bones of each such kind by numbers fitted to the others only; may be given several times",
    )
    options.add_argument("--fit-on", action="append", default=[], type=Path, metavar="SET", help="may be repeated")
    options.add_argument("--settings", action="append", default=[], help="a settings file on top of the shipped ones")
    options.add_argument("--workers", type=int, default=1, help="sets read at once")
    options.add_argument("--kept-in", type=Path, default=KEPT_IN, help="where readings are kept (default: %(default)s)")
    given = options.parse_args()
    if not given.sets and not given.irregular:
        options.error("give a SET, or --irregular")
    if not given.sets and (given.without_priors or given.leave_out):
        options.error("--without-priors and --leave-out need a SET")
    return given


def _tell(table: pd.DataFrame, path: Path) -> None:
    print(as_text(table), flush=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    table.to_csv(path, index_label="bones", float_format="%.4f")


if __name__ == "__main__":
    main()

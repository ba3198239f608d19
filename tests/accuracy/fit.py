"""Fit the numbers of configs/fitted.toml to bones of known age.

    python -m tests.accuracy.fit SET... --out configs/fitted.toml

A SET is a folder that `opercle simulate` writes. Prints what cross-validation reaches (three parts; bones of one scan
stay together) and writes the whole file. The same command on the same sets writes the same file.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from threadpoolctl import threadpool_limits

from pipeline.settings import Settings
from pipeline.settings_files import read_settings
from pipeline.tables.atomic import write_text
from tests.accuracy.figures import as_text, auroc, by_group
from tests.accuracy.fit_count import fit_count, lessons
from tests.accuracy.fit_focus import errors_left_out, fit_focus, focus_candidates
from tests.accuracy.fitted_file import as_toml
from tests.accuracy.known_bones import KEPT_IN, read_sets

STAGES = ("focus", "count", "all")
FOCUS_OFF = 0.1
"""Share of the radius by which a focus is called wrong."""


def main() -> None:
    """Read the sets, fit, and write the file."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("sets", nargs="+", type=Path, metavar="SET")
    options.add_argument("--out", required=True, type=Path, help="the file to write")
    options.add_argument(
        "--stage",
        choices=STAGES,
        default="all",
        help="focus: only the two logits that choose it; count: evidence, sequence, confidence and first year; the "
        "other numbers stay as shipped",
    )
    options.add_argument("--workers", type=int, default=1, help="sets read at once")
    options.add_argument("--kept-in", type=Path, default=KEPT_IN, help="where readings are kept (default: %(default)s)")
    given = options.parse_args()
    with threadpool_limits(1):  # sums in another order would change the last digits
        settings = read_settings()
        made = []
        if given.stage != "count":
            settings, bones = _focus(given.sets, settings)
            made.append(f"focus: from {bones} drawn bones of {len(given.sets)} sets")
        if given.stage != "focus":
            known = [bone for own in read_sets(given.sets, settings, given.kept_in, given.workers) for bone in own]
            fitted = fit_count(lessons(known, settings), settings)
            settings = fitted.settings
            _tell_count(fitted.checked, len(known), settings.review.first_year_doubt)
            made.append(f"the others: from {len(fitted.checked)} drawn bones of {len(given.sets)} sets")
    write_text(given.out, as_toml(settings, "; ".join(made)))


def _focus(sets: Sequence[Path], settings: Settings) -> tuple[Settings, int]:
    """Settings with the focus logits fitted, and to how many bones."""
    bones = [candidates for folder in sets for candidates in focus_candidates(folder, settings)]
    makes = sorted({b.make for b in bones})
    if len(makes) > 1:
        error, certainty = errors_left_out(bones, settings.focus)
        for name, own in [(m, np.array([b.make == m for b in bones])) for m in makes] + [("all", error >= 0)]:
            wrong, unsure = error[own] > FOCUS_OFF, certainty[own] < settings.focus.unsure_below
            print(
                f"focus with the make left out, {name}: {own.sum()} bones, median error {np.median(error[own]):.3f} of "
                f"the radius, off by over {FOCUS_OFF} {wrong.mean():.3f}; unsure of the right ones "
                f"{unsure[~wrong].mean():.2f}, of the wrong ones {unsure[wrong].mean() if wrong.any() else 1:.2f}"
            )
    return settings.model_copy(update={"focus": fit_focus(bones, settings.focus)}), len(bones)


def _tell_count(checked: pd.DataFrame, all_bones: int, threshold: float) -> None:
    print(
        f"counts by cross-validation, {len(checked)} bones of {all_bones} (the others not found, or another thing read)"
    )
    print(as_text(by_group(checked)))
    hidden, doubt = checked["hidden"].to_numpy(bool), checked["doubt"].to_numpy(float)
    called = doubt >= threshold
    print(
        f"doubt about the first year: AUROC {auroc(doubt, hidden):.3f}; at {threshold:g} called ambiguous: hidden "
        f"{called[hidden].mean():.3f}, others {called[~hidden].mean():.3f}"
    )


if __name__ == "__main__":
    main()

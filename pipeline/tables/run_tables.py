"""The tables of a run, read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.errors import RunError
from pipeline.tables.tables import read_table

AGES = "ages.csv"
_NUMBERS = (
    "length_mm",
    "annuli",
    "annuli_low",
    "annuli_high",
    "confidence",
    "age_class",
    "year_class",
    "final_annuli",
    "final_age_class",
    "dpi",
    "radius_px",
    "radius_mm",
    "focus_x",
    "focus_y",
    "axis_x",
    "axis_y",
)
_NEEDED = ("specimen", "fish", "species", "water", "status", "annuli", "confidence", "review", "reasons")


def read_ages(run: Path) -> pd.DataFrame:
    """ages.csv of a run, a row a bone: numbers as floats (NaN where blank), `review` as bool, all else text as given.

    Raises RunError when the folder holds no ages.csv, TableError when the table is damaged.
    """
    path = run / AGES
    if not path.is_file():
        raise RunError(f"{run}: holds no {AGES}; give the folder that opercle age was given as --out")
    rows = read_table(path, _NEEDED)
    columns = list(rows[0]) if rows else list(_NEEDED)
    frame = pd.DataFrame.from_records(rows, columns=columns).astype(object)
    for name in frame.columns.intersection(list(_NUMBERS)):
        frame[name] = pd.to_numeric(frame[name].where(frame[name] != "", np.nan)).astype(np.float64)
    frame["review"] = frame["review"] == "true"
    return frame

"""The tables of a run, read back."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.errors import RunError, TableError
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


_ALLOWED: dict[str, re.Pattern[str]] = {
    "status": re.compile("aged|unreadable"),
    "review": re.compile("true|false"),
    "confidence": re.compile(r"(0\.\d{1,4}|1\.0{1,4})?"),
    **dict.fromkeys(("annuli", "annuli_low", "annuli_high", "final_annuli"), re.compile(r"\d{0,2}")),
    **dict.fromkeys(("age_class", "final_age_class"), re.compile(r"\d{0,3}")),
    "year_class": re.compile(r"(\d{4})?"),
}
"""What this program writes into columns that others reckon with; other numbers need only be numbers."""
_ANY_NUMBER = re.compile(r"([+-]?(\d+(\.\d*)?|\.\d+))?")
_MOST_FAULTS = 20
_CURE = f"{AGES} was changed by hand; give the line of `opercle age` again, which writes it anew"


def _check(frame: pd.DataFrame) -> None:
    """Raise TableError, a line for each row that this program cannot have written."""
    faults = [
        f"{AGES}, row {row}: the {name} {cell[:40]!a}; {_CURE}"
        for name in frame.columns.intersection([*_ALLOWED, *_NUMBERS])
        for row, cell in enumerate(frame[name], 2)
        if not _ALLOWED.get(name, _ANY_NUMBER).fullmatch(cell)
    ]
    doubled = frame["specimen"].duplicated()
    faults += [f"{AGES}, row {row + 2}: the specimen appears twice; {_CURE}" for row in np.flatnonzero(doubled)]
    aged = frame["status"] == "aged"
    odd = (aged != (frame["annuli"] != "")) | (aged != (frame["confidence"] != ""))
    faults += [f"{AGES}, row {row + 2}: status and count do not agree; {_CURE}" for row in np.flatnonzero(odd)]
    if faults:
        more = len(faults) - _MOST_FAULTS
        raise TableError([*faults[:_MOST_FAULTS], *([f"... and {more} more"] if more > 0 else [])])


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
    _check(frame)
    for name in frame.columns.intersection(list(_NUMBERS)):
        frame[name] = pd.to_numeric(frame[name].where(frame[name] != "", np.nan)).astype(np.float64)
    frame["review"] = frame["review"] == "true"
    return frame

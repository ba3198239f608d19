"""How bones of makes left out were counted: a row a make."""

from __future__ import annotations

import numpy as np
import pandas as pd

BINS = 10
"""Of confidence, equally wide."""
SURE = 0.9


def by_make(rows: pd.DataFrame) -> pd.DataFrame:
    """Figures of each make and of all; `rows` as `fit_judging` gives them."""
    groups = {**dict(list(rows.groupby("make"))), "all": rows}
    return pd.DataFrame({name: figures(own) for name, own in groups.items()}).T.round(3)


def figures(rows: pd.DataFrame) -> dict[str, float]:
    """Figures of some bones."""
    right = rows["counted"] == rows["annuli"]
    missing = rows["first_missing"].astype(bool)
    readable, clean = rows["readable"].astype(bool), rows["level"] == "clean"
    confidence = rows["confidence"]
    return {
        "bones": len(rows),
        "exact": right.mean(),
        "readable": right[readable].mean(),
        "clean": right[clean].mean(),
        "within one": ((rows["counted"] - rows["annuli"]).abs() <= 1).mean(),
        "bias": (rows["counted"] - rows["annuli"]).mean(),
        "calibration error": calibration_error(confidence, right),
        "wrong at .9": (~right & (confidence >= SURE)).mean(),
        "first missing": missing.mean(),
        "its doubt": rows["first_doubt"][missing].median(),
        "doubt else": rows["first_doubt"][~missing].median(),
    }


def calibration_error(confidence: pd.Series[float], right: pd.Series[bool]) -> float:
    """Mean distance between confidence and share right over bins of confidence."""
    bins = np.minimum((confidence * BINS).astype(int), BINS - 1)
    return float(
        sum(abs(confidence[bins == b].mean() - right[bins == b].mean()) * (bins == b).mean() for b in set(bins))
    )

"""How well bones of known age were aged, in figures.

All work on a table with one row a bone of truth.csv, found or not: the columns of `study.aged_set`.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
from sklearn.metrics import roc_auc_score

from pipeline.audit.precision import spread_of_each

BINS = 10
"""Of confidence, equally wide: calibration error over more would be noise in a few hundred bones."""
AGE_BANDS = (0, 1, 2, 3, 5, 8, 12, 100)
"""Lower bounds of the bands of true counts; the last one ends them."""


def figures(bones: pd.DataFrame) -> dict[str, float]:
    """Figures of some bones. Shares are of all bones, unless said otherwise; a bone that was not aged is not exact.

    bias, cv (%) : of the aged, found less true count. ece, auroc : of the confidence against being exact, of the aged.
    wrong kept : share of the kept that is wrong. obscured sent, obscured called : of the bones whose first annulus
    hardly shows, the share sent to a person, and that called ambiguous. others called : of the others.
    """
    aged = bones[bones.aged]
    off = (aged.found - aged.annuli).to_numpy(float)
    kept = aged[~aged.review.astype(bool)]
    obscured = bones.first_year_obscured
    pair = aged[["found", "annuli"]].to_numpy(float)
    return {
        "n": len(bones),
        "aged": _mean(bones.aged),
        "exact": _mean(bones.exact),
        "exact readable": _mean(bones.exact[bones.readable]),
        "within 1": _mean(bones.aged & ((bones.found - bones.annuli).abs() <= 1)),
        "bias": _mean(off),
        "cv": _mean(spread_of_each(pair)[1]) if len(pair) else float("nan"),
        "ece": calibration_error(aged),
        "auroc": _area(aged),
        "kept": len(kept) / len(bones) if len(bones) else float("nan"),
        "wrong kept": _mean(~kept.exact),
        "obscured sent": _mean(bones.review[obscured & bones.aged].astype(bool)),
        "obscured called": _mean(bones.ambiguous[obscured & bones.aged]),
        "others called": _mean(bones.ambiguous[~obscured & bones.aged]),
        "age class": _mean(bones.aged & (bones.found_class == bones.age_class)),
        "focus": float(bones.focus_error.median()),
    }


def table(bones: pd.DataFrame) -> pd.DataFrame:
    """Figures of all bones, and by level, lighting, species, count and resolution; a row for each group."""
    bands = pd.cut(bones.annuli, list(AGE_BANDS), right=False, labels=_band_names())
    rows = {"all": figures(bones)}
    groups = {k: bones[k] for k in ("set", "level", "lighting", "species")} | {"annuli": bands, "dpi": bones.dpi}
    for name, values in groups.items():
        for value, own in bones.groupby(values, observed=True, sort=True):
            rows[f"{name} {value}"] = figures(own)
    return pd.DataFrame.from_dict(rows, orient="index").astype({"n": int})


def reliability(aged: pd.DataFrame) -> pd.DataFrame:
    """For each bin of confidence that holds a bone: mean confidence, share exact and number of bones."""
    bin_of = np.minimum((aged.confidence.to_numpy(float) * BINS).astype(int), BINS - 1)
    grouped = aged.groupby(bin_of)
    return pd.DataFrame(
        {"confidence": grouped.confidence.mean(), "exact": grouped.exact.mean(), "n": grouped.exact.size()}
    )


def calibration_error(aged: pd.DataFrame) -> float:
    """Mean distance of confidence from the share exact over the bins, weighed by bones (expected calibration error,
    Naeini, Cooper and Hauskrecht 2015)."""
    if not len(aged):
        return float("nan")
    bins = reliability(aged)
    return float(((bins.confidence - bins.exact).abs() * bins.n).sum() / bins.n.sum())


def error_left(bones: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Share of the bones kept, and share wrong among them, when the surest are kept first: (aged,), (aged,)."""
    ordered = bones[bones.aged].sort_values("confidence", ascending=False, kind="stable")
    kept = np.arange(1, len(ordered) + 1)
    return kept / max(len(bones), 1), (~ordered.exact).cumsum().to_numpy() / kept


def _band_names() -> list[str]:
    names = [str(low) if high == low + 1 else f"{low}-{high - 1}" for low, high in pairwise(AGE_BANDS)]
    return [*names[:-1], f"{AGE_BANDS[-2]}+"]


def _area(aged: pd.DataFrame) -> float:
    if aged.exact.nunique() < 2:
        return float("nan")
    return float(roc_auc_score(aged.exact, aged.confidence.astype(float)))


def _mean(values: pd.Series | np.ndarray) -> float:
    return float(np.mean(values)) if len(values) else float("nan")

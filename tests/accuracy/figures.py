"""Figures of accuracy: ages of known bones beside their truth -> one row a bone -> tables by group."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sklearn.metrics import roc_auc_score

from pipeline.audit.precision import spread_of_each
from pipeline.learn.known_bones import KnownBone
from pipeline.learn.labels import nearest_annuli, radii_at
from pipeline.learn.truth import Truth
from pipeline.records import Age, Numbers

BINS = 10
"""Of confidence, equally wide: calibration error over more would be noise in a few hundred bones."""
GROUPS = ("level", "lighting", "species", "years", "dpi", "make", "set")
AGES = {"0": 0, "1-2": 2, "3-5": 5, "6-9": 9, "10+": 99}
"""Groups of true counts and the highest count of each."""
USUAL_DPI = 600.0
"""Errors of radii are told as at this resolution."""

Shares = NDArray[np.float64]
Flags = NDArray[np.bool_]


def truth_rows(known: Sequence[KnownBone]) -> pd.DataFrame:
    """One row a bone with what is true of it."""
    rows = [
        {
            "set": k.folder,
            "specimen": k.specimen.specimen,
            "level": k.truth.level,
            "lighting": k.truth.lighting,
            "species": k.specimen.species,
            "years": next(name for name, most in AGES.items() if k.truth.annuli <= most),
            "dpi": k.truth.dpi,
            "make": k.make,
            "annuli": k.truth.annuli,
            "true_class": k.truth.age_class,
            "hidden": k.truth.first_year_obscured,
            "readable": k.truth.readable,
            "focus_error": k.focus_error,
        }
        for k in known
    ]
    return pd.DataFrame(rows).astype({"hidden": bool, "readable": bool})


def _labels_on(points: Numbers, truth: Truth) -> NDArray[np.int64]:
    """(point,) index of the true annulus that each point, (point, 2) in scan pixels, lies on; -1 for none."""
    if not len(points) or not truth.arcs:
        return np.full(len(points), -1)
    own = np.hypot(*(points - truth.focus).T) / truth.radius_px
    return nearest_annuli(own, radii_at(points, truth) / truth.radius_px, truth.radius_px)


def outcome_rows(known: Sequence[KnownBone], ages: Sequence[Age]) -> pd.DataFrame:
    """One row a bone with its truth and what the product says of it."""
    rows = []
    for k, age in zip(known, ages, strict=True):
        points = np.array([(m.x, m.y) for m in age.marks if m.counted]).reshape(-1, 2)
        labels = _labels_on(points, k.truth)
        hit = labels >= 0
        true_radius = radii_at(points, k.truth)[labels[hit], hit] if hit.any() else np.zeros(0)
        off = np.abs(np.hypot(*(points[hit] - k.truth.focus).T) - true_radius) * USUAL_DPI / k.truth.dpi
        rows.append(
            {
                "counted": np.nan if age.annuli is None else float(age.annuli),
                "confidence": np.nan if age.confidence is None else age.confidence,
                "sent": age.review,
                "ambiguous": age.first_year == "ambiguous" or age.annuli is None,
                "age_class": np.nan if age.age_class is None else float(age.age_class),
                "of_truth": dict(age.count_probabilities).get(k.truth.annuli, 0.0),
                "marks": len(points),
                "marks_right": int(hit.sum()),
                "marks_off_px": off.tolist(),
            }
        )
    return pd.concat([truth_rows(known), pd.DataFrame(rows)], axis=1)


def by_group(rows: pd.DataFrame) -> pd.DataFrame:
    """The figures of all bones and of each group, (group, figure)."""
    told = {"all": figures(rows)}
    for column in GROUPS:
        names = list(AGES) if column == "years" else sorted(rows[column].unique())
        present = [name for name in names if name != "" and (rows[column] == name).any()]
        if len(present) > 1:
            told |= {f"{column} {name}": figures(rows[rows[column] == name]) for name in present}
    return pd.DataFrame(told).T


def figures(rows: pd.DataFrame) -> dict[str, float]:
    """All figures of some bones. Shares of exact and near counts are of all bones, aged or not; columns that the rows
    lack are left out."""
    aged = rows[rows["counted"].notna()]
    error = (aged["counted"] - aged["annuli"]).to_numpy(np.float64)
    right, many = error == 0, max(len(rows), 1)
    readable = rows[rows["readable"]]
    told = {
        "n": float(len(rows)),
        "aged": len(aged) / many,
        "exact": float(right.sum()) / many,
        "readable": _mean(readable["counted"] == readable["annuli"]),
        "within 1": float((np.abs(error) <= 1).sum()) / many,
        "bias": _mean(error),
        "CV %": _mean(spread_of_each(aged[["annuli", "counted"]].to_numpy(np.float64))[1]) if len(aged) else np.nan,
    }
    if "confidence" in rows:
        confidence = aged["confidence"].to_numpy(np.float64)
        told |= {"ECE": calibration_error(confidence, right), "AUROC": auroc(confidence, right)}
    if "sent" in rows:
        hidden, others = rows[rows["hidden"]], rows[~rows["hidden"]]
        kept = aged[~aged["sent"]]
        told |= {
            "kept": len(kept) / many,
            "wrong kept": _mean(kept["counted"] != kept["annuli"]),
            "hidden sent": _mean(hidden["sent"]),
            "hidden called": _mean(hidden["ambiguous"]),
            "others called": _mean(others["ambiguous"]),
            "age class": _mean(rows["age_class"] == rows["true_class"]),
        }
    found = rows["focus_error"][np.isfinite(rows["focus_error"])]
    told["focus"] = float(found.median()) if len(found) else np.nan
    if "marks" in rows:
        off = [px for own in rows["marks_off_px"] for px in own]
        told |= {
            "marks right": _ratio(rows["marks_right"], rows["marks"]),
            "marks found": _ratio(rows["marks_right"], rows["annuli"]),
            "off px": float(np.median(off)) if off else np.nan,
        }
    return told


def calibration_error(confidence: Shares, right: Flags) -> float:
    """Expected calibration error: distance of mean confidence from share right, averaged over the bins with their bones
    as weights (Naeini, Cooper and Hauskrecht 2015)."""
    if not len(confidence):
        return float("nan")
    told = reliability(confidence, right)
    return float(np.average(np.abs(told["confidence"] - told["right"]), weights=told["n"]))


def reliability(confidence: Shares, right: Flags) -> pd.DataFrame:
    """For each bin of confidence that holds a bone: mean `confidence`, share `right`, number of bones `n`."""
    place = np.minimum((confidence * BINS).astype(np.int64), BINS - 1)
    grouped = pd.DataFrame({"confidence": confidence, "right": right}).groupby(place)
    return grouped.mean().assign(n=grouped.size())


def error_left(rows: pd.DataFrame) -> tuple[Shares, Shares]:
    """Share of the bones kept, and share wrong among them, when the surest are kept first: (aged,), (aged,)."""
    ordered = rows[rows["counted"].notna()].sort_values("confidence", ascending=False, kind="stable")
    kept = np.arange(1, len(ordered) + 1)
    wrong = (ordered["counted"] != ordered["annuli"]).cumsum().to_numpy(np.float64)
    return kept / max(len(rows), 1), wrong / kept


def auroc(score: Shares, right: Flags) -> float:
    """Area under the curve of a score that should be higher where right; nan when all are alike."""
    return float(roc_auc_score(right, score)) if 0 < right.sum() < len(right) else float("nan")


def as_text(table: pd.DataFrame) -> str:
    """A table of figures as printed."""
    style: dict[str, Callable[[float], str]] = {"n": "{:.0f}".format, "bias": "{:+.3f}".format, "CV %": "{:.1f}".format}
    return table.to_string(formatters={c: style.get(c, "{:.3f}".format) for c in table.columns}, na_rep="-")


def _ratio(part: pd.Series[int], whole: pd.Series[int]) -> float:
    return float(part.sum() / whole.sum()) if whole.sum() else float("nan")


def _mean(values: pd.Series[bool] | Shares) -> float:
    return float(np.mean(values)) if len(values) else float("nan")

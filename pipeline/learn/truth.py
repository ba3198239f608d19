"""What is known of drawn bones: the truth tables of a set."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.records import Numbers, Point

READABLE_RIM_PX = 3.0
"""A last annulus nearer to the margin cannot be told from it."""

CONTRAST_FLOOR, CONTRAST_SCALE, MOST_VISIBLE = 0.006, 0.045, 0.999
"""Shares of full brightness, with which the tables of truth turn a contrast into a visibility."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What is known of one bone, in scan pixels."""

    annuli: int
    age_class: int | None
    first_year_obscured: bool
    make: str
    """Blank when the set does not name it."""
    level: str
    lighting: str
    dpi: int
    focus: Point
    tip: Point
    fractions: Numbers
    """(annulus,) share of the growth axis."""
    visibility: Numbers
    """(annulus,) 0 to 1."""
    arcs: tuple[tuple[Numbers, Numbers], ...]
    """For each annulus: degrees from the growth axis, ascending, and the radius there; empty when not known."""

    @property
    def radius_px(self) -> float:
        """Length of the growth axis."""
        return float(np.hypot(self.tip[0] - self.focus[0], self.tip[1] - self.focus[1]))

    @property
    def rim_px(self) -> float:
        """Pixels from the last annulus to the margin."""
        last = float(self.fractions[-1]) if len(self.fractions) else 0.0
        return (1 - last) * self.radius_px

    @property
    def first_contrast(self) -> float:
        """Contrast of the first annulus over the median of the others; 1 where it is the only one."""
        contrast = CONTRAST_FLOOR + CONTRAST_SCALE * -np.log1p(-np.minimum(self.visibility, MOST_VISIBLE))
        return float(contrast[0] / np.median(contrast[1:])) if len(contrast) > 1 else 1.0

    @property
    def readable(self) -> bool:
        """The first annulus is visible and the last one lies inside the margin."""
        return not self.first_year_obscured and (self.annuli == 0 or self.rim_px >= READABLE_RIM_PX)


def read_truth(folder: Path) -> dict[str, Truth]:
    """Specimen to its truth."""
    table, marks = (_table(folder / f"{name}.csv") for name in ("truth", "truth_annuli"))
    marks = _annuli(marks)
    mark_of = dict(list(marks.groupby("specimen")))
    arc_of = {}
    if (folder / "truth_arcs.csv").exists():
        arc_of = dict(list(_annuli(_table(folder / "truth_arcs.csv")).groupby(["specimen", "number"])))
    out = {}
    for row in table.to_dict("records"):
        name = str(row["specimen"])
        own = mark_of.get(name, marks[:0])
        radius = np.hypot(float(row["axis_x"]) - float(row["focus_x"]), float(row["axis_y"]) - float(row["focus_y"]))
        curves = [arc_of[name, n].sort_values("deg") for n in own["number"]] if arc_of else []
        out[name] = Truth(
            annuli=int(row["annuli"]),
            age_class=int(row["age_class"]) if str(row.get("age_class", "")) else None,
            first_year_obscured=str(row["first_year_obscured"]).lower() == "true",
            make=str(row.get("make", "")),
            level=str(row["level"]),
            lighting=str(row.get("lighting", "")),
            dpi=int(float(row["dpi"])) if str(row.get("dpi", "")) else 0,
            focus=(float(row["focus_x"]), float(row["focus_y"])),
            tip=(float(row["axis_x"]), float(row["axis_y"])),
            fractions=(own["fraction"] if "fraction" in own else own["radius_px"] / radius).to_numpy(np.float64),
            visibility=own["visibility"].to_numpy(np.float64) if "visibility" in own else np.ones(len(own)),
            arcs=tuple((c["deg"].to_numpy(np.float64), c["radius_px"].to_numpy(np.float64)) for c in curves),
        )
    return out


def _table(path: Path) -> pd.DataFrame:
    return pd.read_csv(path, dtype={"specimen": str}, keep_default_na=False)


def _annuli(marks: pd.DataFrame) -> pd.DataFrame:
    own = marks[marks["kind"] == "annulus"] if "kind" in marks else marks
    return own.sort_values(["specimen", "number"])

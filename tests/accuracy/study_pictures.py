"""What a study shows: plots of the errors, and the overlays of the worst bones on one sheet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.bone.read_bone import read_bones
from pipeline.learn.known_bones import KnownBone
from pipeline.learn.truth import Truth
from pipeline.pictures.overlay import draw_with_place
from pipeline.records import Age
from pipeline.run.first_pass import crop_bone
from pipeline.scans.scan_file import read_scan
from pipeline.scans.scan_folder import find_scans
from pipeline.settings.whole import Settings
from tests.accuracy.figures import error_left, reliability

WORST = 30
SHEET_COLUMNS = 5
CELL_PX = 900
"""Width of an overlay on the sheet: marks a few pixels apart can still be told."""
CAPTION_PX = 34
TRUTH_DEGREES = (-12.0, 12.0)
"""Where true annuli are dotted: beside the growth axis, so that what is there to see stays free."""
DOT_SHARE = 0.004
"""Of the picture's width."""


def draw_plots(rows: pd.DataFrame, path: Path) -> None:
    """Error by count, reliability, and error left against share kept, side by side. Rows as `figures.outcome_rows`."""
    aged = rows[rows["counted"].notna()]
    figure = Figure(figsize=(15, 4.6), layout="constrained")
    by_count, reliable, left = figure.subplots(1, 3)
    _error_by_count(by_count, aged)
    bins = reliability(aged["confidence"].to_numpy(np.float64), (aged["counted"] == aged["annuli"]).to_numpy())
    reliable.plot([0, 1], [0, 1], color="0.7")
    reliable.plot(bins["confidence"], bins["right"], "o-")
    for x, y, n in bins.itertuples(index=False):
        reliable.annotate(f"{n:.0f}", (x, y), xytext=(4, -11), textcoords="offset points", fontsize=8)
    reliable.set(title="Reliability", xlabel="confidence", ylabel="share exact", xlim=(0, 1), ylim=(0, 1.02))
    left.plot(*error_left(rows), label="the surest first")
    kept = aged[~aged["sent"]]
    if len(kept):
        wrong = float((kept["counted"] != kept["annuli"]).mean())
        left.plot([len(kept) / len(rows)], [wrong], "ko", label="kept without review")
    left.set(title="Error left", xlabel="share kept", ylabel="share wrong among them", xlim=(0, 1), ylim=(0, None))
    left.legend()
    figure.savefig(path, dpi=110)


def _error_by_count(axes: Axes, aged: pd.DataFrame) -> None:
    """A disc for each pair of true count and error, as large as it is frequent, and the mean error."""
    error = aged["counted"] - aged["annuli"]
    size = error.groupby([aged["annuli"], error]).size()
    true, off = (size.index.get_level_values(level) for level in (0, 1))
    axes.axhline(0, color="0.7")
    axes.scatter(true, off, s=4 + 500 * size / size.max(), alpha=0.45)
    mean = error.groupby(aged["annuli"]).mean()
    axes.plot(mean.index, mean, "k.-", label="mean")
    axes.set(title="Error by count", xlabel="true annuli", ylabel="counted less true")
    axes.legend()


def draw_worst(
    known: Sequence[KnownBone], ages: Sequence[Age], folders: Sequence[Path], path: Path, settings: Settings
) -> None:
    """Overlays of the bones that were wrong: those kept without review first, then by error, of equal errors the surest
    first. White dots beside the axis lie on the true annuli. `folders` : the set of each bone."""
    wrong = [
        (age.review, -abs(age.annuli - k.truth.annuli), -(age.confidence or 0.0), i)
        for i, (k, age) in enumerate(zip(known, ages, strict=True))
        if age.annuli is not None and age.annuli != k.truth.annuli
    ]
    cells = [_cell(known[i], ages[i], folders[i], settings) for *_, i in sorted(wrong)[:WORST]]
    if not cells:
        return
    height = max(len(cell) for cell in cells)
    sheet = np.full((-(-len(cells) // SHEET_COLUMNS) * height, SHEET_COLUMNS * CELL_PX, 3), 255, np.uint8)
    for n, cell in enumerate(cells):
        top, left = n // SHEET_COLUMNS * height, n % SHEET_COLUMNS * CELL_PX
        sheet[top : top + len(cell), left : left + CELL_PX] = cell
    cv2.imwrite(str(path), cv2.cvtColor(sheet, cv2.COLOR_RGB2BGR))


def _cell(known: KnownBone, age: Age, folder: Path, settings: Settings) -> NDArray[np.uint8]:
    """One overlay (row, column, red-green-blue), `CELL_PX` wide, with the truth above it."""
    row = known.specimen
    scan = read_scan(next(r for r in find_scans([folder / "scans"]).scans if r.scan == row.scan), settings.scan)
    bone, reading = next(found for found in read_bones(scan, [row], settings) if found[0].number == row.bone)
    reading, jpeg = crop_bone(scan, bone, reading, settings.crops)
    left, top, scale = reading.crop or (0.0, 0.0, 1.0)
    crop = np.asarray(cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_GRAYSCALE), np.uint8)
    _dot_truth(crop, known.truth, left, top, scale)
    picture = draw_with_place(crop, (left, top), scale, reading, age, row, settings.pictures)[0]
    size = (CELL_PX, round(len(picture) * CELL_PX / picture.shape[1]))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    cell = cv2.copyMakeBorder(small, CAPTION_PX, 0, 0, 0, cv2.BORDER_CONSTANT, value=(255, 255, 255))
    truth = known.truth
    says = f"{known.scan}  true {truth.annuli}, found {age.annuli}  {truth.level}, {truth.lighting}, {truth.dpi} dpi"
    says += f"{', first hidden' if truth.first_year_obscured else ''}  focus off {known.focus_error:.2f} R"
    cv2.putText(cell, says, (6, 24), cv2.FONT_HERSHEY_SIMPLEX, 0.55, (0, 0, 0), 1, cv2.LINE_AA)
    return np.asarray(cell, np.uint8)


def _dot_truth(crop: NDArray[np.uint8], truth: Truth, left: float, top: float, scale: float) -> None:
    """Dot the true annuli into a bone's picture whose first pixel is scan pixel (left, top)."""
    axis = np.arctan2(truth.tip[1] - truth.focus[1], truth.tip[0] - truth.focus[0])
    dot = max(2, round(DOT_SHARE * crop.shape[1]))
    for degrees, radius in truth.arcs:
        for turn in TRUTH_DEGREES:
            r, angle = float(np.interp(turn, degrees, radius)), axis + np.deg2rad(turn)
            x, y = truth.focus[0] + r * np.cos(angle), truth.focus[1] + r * np.sin(angle)
            at = (round((x - left + 0.5) * scale - 0.5), round((y - top + 0.5) * scale - 0.5))
            cv2.circle(crop, at, dot + 1, 0, -1, cv2.LINE_AA)
            cv2.circle(crop, at, dot, 255, -1, cv2.LINE_AA)

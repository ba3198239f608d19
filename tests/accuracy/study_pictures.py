"""What a study shows: plots of the errors, and the overlays of the worst bones on one sheet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pandas as pd
from figures import error_left, reliability
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from pipeline.files.scan_file import read_scan
from pipeline.files.scan_folder import find_scans
from pipeline.records import BoneReading, Point, Scan
from pipeline.report.overlay import draw_overlay
from pipeline.settings import CropSettings, Settings

if TYPE_CHECKING:
    from study import Judged

WORST = 30
SHEET_COLUMNS = 5
CELL_PX = 900
"""Width of an overlay on the sheet: marks a few pixels apart can still be told."""
CAPTION_PX = 34


def draw_plots(bones: pd.DataFrame, path: Path) -> None:
    """Error by count, reliability, and error left against share kept, side by side."""
    aged = bones[bones.aged]
    figure = Figure(figsize=(15, 4.6), layout="constrained")
    by_count, reliable, left = figure.subplots(1, 3)
    _error_by_count(by_count, aged)
    bins = reliability(aged)
    reliable.plot([0, 1], [0, 1], color="0.7")
    reliable.plot(bins.confidence, bins.exact, "o-")
    for x, y, n in zip(bins.confidence, bins.exact, bins.n, strict=True):
        reliable.annotate(f"{n}", (x, y), xytext=(4, -11), textcoords="offset points", fontsize=8)
    reliable.set(title="Reliability", xlabel="confidence", ylabel="share exact", xlim=(0, 1), ylim=(0, 1.02))
    share, wrong = error_left(bones)
    left.plot(share, wrong)
    left.set(title="Error left", xlabel="share kept, the surest first", ylabel="share wrong among them")
    left.set(xlim=(0, 1), ylim=(0, None))
    figure.savefig(path, dpi=110)


def _error_by_count(axes: Axes, aged: pd.DataFrame) -> None:
    """A disc for each pair of true count and error, as large as it is frequent, and the mean error."""
    off = (aged.found - aged.annuli).astype(int)
    size = pd.Series(1, index=aged.index).groupby([aged.annuli, off]).size()
    true, error = (size.index.get_level_values(k) for k in (0, 1))
    axes.axhline(0, color="0.7")
    axes.scatter(true, error, s=4 + 500 * size / size.max(), alpha=0.45)
    mean = off.groupby(aged.annuli).mean()
    axes.plot(mean.index, mean, "k.-", label="mean")
    axes.set(title="Error by count", xlabel="true annuli", ylabel="found less true")
    axes.legend()


def draw_worst(judged: Sequence[Judged], path: Path, settings: Settings) -> None:
    """The overlays of the bones with the largest errors, of equal errors the surest first; true count above each."""
    wrong = [j for j in judged if j.age.annuli is not None and j.age.annuli != j.known.annuli]
    wrong.sort(key=lambda j: (-abs((j.age.annuli or 0) - j.known.annuli), -(j.age.confidence or 0.0)))
    cells = [_cell(j, settings) for j in wrong[:WORST]]
    if not cells:
        return
    height = max(len(c) for c in cells)
    rows = -(-len(cells) // SHEET_COLUMNS)
    sheet = np.full((rows * height, SHEET_COLUMNS * CELL_PX, 3), 255, np.uint8)
    for n, cell in enumerate(cells):
        top, left = n // SHEET_COLUMNS * height, n % SHEET_COLUMNS * CELL_PX
        sheet[top : top + len(cell), left : left + CELL_PX] = cell
    cv2.imwrite(str(path), cv2.cvtColor(sheet, cv2.COLOR_RGB2BGR))


def _cell(j: Judged, settings: Settings) -> NDArray[np.uint8]:
    """One overlay (row, column, red-green-blue), `CELL_PX` wide, with the truth above it."""
    ref = next(r for r in find_scans([j.folder / "scans"]) if r.scan == j.known.reading.scan)
    crop, origin, scale = _crop(read_scan(ref, settings.scan), j.known.reading, settings.crops)
    picture = draw_overlay(crop, origin, scale, j.known.reading, j.age, j.known.specimen, settings.pictures)
    size = (CELL_PX, round(len(picture) * CELL_PX / picture.shape[1]))
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    cell = cv2.copyMakeBorder(small, CAPTION_PX, 0, 0, 0, cv2.BORDER_CONSTANT, value=(255, 255, 255))
    truth = j.known.truth
    hidden = ", first obscured" if truth["first_year_obscured"] else ""
    says = f"{j.known.group}  true {j.known.annuli}, found {j.age.annuli}  {truth['level']}{hidden}"
    says += f"  focus off {j.known.focus_error:.2f} R"
    cv2.putText(cell, says, (6, 24), cv2.FONT_HERSHEY_SIMPLEX, 0.62, (0, 0, 0), 1, cv2.LINE_AA)
    return np.asarray(cell, np.uint8)


def _crop(scan: Scan, reading: BoneReading, settings: CropSettings) -> tuple[NDArray[np.uint8], Point, float]:
    """The bone's picture, scan pixel (x, y) of its first pixel, and its pixels a scan pixel: as large as a run's."""
    outline = np.asarray(reading.outline)
    low, high = outline.min(axis=0), outline.max(axis=0)
    around = settings.margin * float((high - low).max())
    left, top = (max(int(v - around), 0) for v in low)
    right, bottom = (int(np.ceil(v + around)) + 1 for v in high)
    pixels = scan.pixels[top:bottom, left:right]
    scale = min(settings.longest_px / max(pixels.shape), 1.0)
    small = cv2.resize(pixels, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.convertScaleAbs(small, alpha=255 / scan.white), np.uint8), (float(left), float(top)), scale

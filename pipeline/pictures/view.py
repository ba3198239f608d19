"""How a bone is laid on a picture: as scanned, and once more with its growth axis level."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pictures.ink import Polyline
from pipeline.pictures.lettering import Box
from pipeline.records import Axis, Point

# A bone of a small fish fills no picture by honest means: beyond this, pixels of the scan turn into blobs.
_MOST_ZOOM = 5.0
_MOST_BAND_ZOOM = 6.0
BAND_HEIGHT = 118
"""Picture pixels."""
# Share of the axis shown behind the focus and beyond the tip.
_BEHIND, _BEYOND = 0.05, 0.08


@dataclass(frozen=True, slots=True)
class View:
    """A similarity from scan pixels to picture pixels, and the rectangle of the picture that it fills."""

    matrix: NDArray[np.float64]
    """(2, 3)."""
    box: Box

    @property
    def zoom(self) -> float:
        """Picture pixels a scan pixel."""
        return float(np.hypot(self.matrix[0, 0], self.matrix[1, 0]))

    def __call__(self, points: Polyline) -> Polyline:
        """(n, 2) scan points in picture pixels."""
        moved: Polyline = points @ self.matrix[:, :2].T + self.matrix[:, 2]
        return moved

    def point(self, point: Point) -> Point:
        """One scan point in picture pixels."""
        x, y = self(np.asarray([point], dtype=np.float64))[0]
        return float(x), float(y)

    def first_pixel(self, origin: Point) -> NDArray[np.float64]:
        """(x, y) of the picture pixel with which a crop from the scan pixel `origin` on begins, in a view without a
        turn.
        """
        return np.asarray(self.zoom * (np.asarray(origin) - 0.5) + self.matrix[:, 2] + 0.5)


def bone_view(
    shown: Polyline, padding: float, width: float, heights: tuple[float, float], crop: tuple[float, ...] | None
) -> View:
    """The similarity without a turn that shows all of the (n, 2) scan points, with room for tags."""
    low, high = shown.min(axis=0), shown.max(axis=0)
    size = np.maximum(high - low, 1.0)
    room = np.asarray([width - 2 * padding, heights[1] - 2 * padding])
    zoom = min(float((room / size).min()), _MOST_ZOOM)
    height = float(np.clip(round(size[1] * zoom + 2 * padding), *heights))
    shift = np.asarray([width, height]) / 2 - zoom * (low + high) / 2
    view = View(np.asarray([[zoom, 0.0, shift[0]], [0.0, zoom, shift[1]]]), (0.0, 0.0, width, height))
    if crop is not None:  # on whole pixels, so that the enlarged crop can be laid down as it is
        first = view.first_pixel((crop[0], crop[1]))
        view.matrix[:, 2] += np.round(first) - first
    return view


def band_view(axis: Axis, left: float, right: float, top: float) -> View:
    """The growth axis level from left to right, turned and not mirrored."""
    shown_px = (1 + _BEHIND + _BEYOND) * axis.radius_px
    zoom = min((right - left) / shown_px, _MOST_BAND_ZOOM)
    along = (np.asarray(axis.tip) - np.asarray(axis.focus)) / axis.radius_px
    turn = zoom * np.asarray([along, [-along[1], along[0]]])
    begin = np.asarray([left + _BEHIND * axis.radius_px * zoom, top + BAND_HEIGHT / 2])
    shift = begin - turn @ np.asarray(axis.focus)
    return View(np.column_stack([turn, shift]), (left, top, left + shown_px * zoom, top + BAND_HEIGHT))

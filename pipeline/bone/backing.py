"""The backing of a scan: what lies behind the bones, its brightness everywhere and how far it reaches.

All work is done on a grid of at most `backing_grid_px` cells a side, so its cost does not grow with the scan.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.median import median
from pipeline.records import Float, Mask

_BACKING_GRID_PX = 104  # cells along the longer side for the backing's brightness; it changes slowly
# Frames about the backing that are peeled off (scanner lid about a black card, border of a photocopy).
_FRAMES_AT_MOST = 2
_LID_SHARE = 0.06  # share of the scan's sides within which strips along its edges may be shadow of the lid, or a frame
_LID_CONTRAST = 0.03  # brightness by which most of such a strip differs from the backing
_FRAME_CONTRAST = 0.10  # brightness; what differs more from the rim of the scan may be the true backing within a frame
_FRAME_SHARE = 0.40  # share of the scan that a backing within a frame covers at least
_FRAME_FILL = 0.90  # share of its smallest rectangle that it fills at least: a page or card, no bone
SURELY_DARK = 0.30
"""Brightness 0..1 of the backing; below it only brighter things can be bones."""
SURELY_BRIGHT = 0.70
"""Brightness 0..1 of the backing; above it only darker things can be bones."""
_FITS = 7  # reweighted fits; the scale of the residuals settles after four or five
_EVERY = 2  # cells; a quadratic surface needs no more than every second one
_FIRST_SCALE = 0.12  # brightness; wide enough for uneven light, too narrow to take in bones
_LEAST_FIRST_SCALE = 0.04  # brightness; an even backing is darker in the middle or corners by no more
_RIM_SPREADS = 5.0  # standard deviations of the rim's brightness within which the backing lies elsewhere
_LEAST_SCALE = 0.006  # brightness; below this residuals are quantisation
_ONE_SIDE = 0.5  # share of the scale on the side on which things lie
_NEAR = 0.02  # brightness; what differs less from the fit may be uneven backing and shapes the surface


@dataclass(frozen=True, slots=True)
class Backing:
    """Brightness of the backing, and the part of the scan that it covers."""

    cells: Float
    """(row, column) of the grid: brightness 0..1."""
    pixels_per_cell: tuple[float, float]
    """Pixels of the image given to `find_backing` per grid cell, (across, down)."""
    field: Mask
    """(row, column) of the grid: True where the backing lies, bones on it included; False on a frame around it."""
    level: float
    """Median brightness in the field."""
    contrast: float
    """Brightness by which the things on it typically differ from it."""

    def within(self, origin: tuple[float, float], shape: tuple[int, int], scale: float = 1.0) -> Float:
        """Brightness on a crop.

        `origin` is the crop's top-left pixel (x, y) and `shape` its size, in pixels of an image that is `scale` times
        as large as the one given to `find_backing`.
        """
        # One place a cell, and straight lines between, are a sixth of the work of every pixel.
        stride = max(1, int(min(self.pixels_per_cell) * scale))
        rows, columns = (-(-side // stride) + 2 for side in shape)
        coarse = self._placing((origin[0] - 0.5 * (stride + 1), origin[1] - 0.5 * (stride + 1)), scale)
        coarse[:, :2] *= stride
        sparse = _resampled(self.cells, coarse, (rows, columns), cv2.INTER_LINEAR)
        full = cv2.resize(sparse, (columns * stride, rows * stride), interpolation=cv2.INTER_LINEAR)
        return np.ascontiguousarray(full[stride : stride + shape[0], stride : stride + shape[1]], np.float32)

    def field_within(self, origin: tuple[float, float], shape: tuple[int, int], scale: float = 1.0) -> Mask:
        """The field on a crop, as `within`."""
        field = self.field.astype(np.uint8)
        return np.asarray(_resampled(field, self._placing(origin, scale), shape, cv2.INTER_NEAREST) > 0)

    def _placing(self, origin: tuple[float, float], scale: float) -> NDArray[np.float64]:
        across, down = (cell * scale for cell in self.pixels_per_cell)
        # A pixel centre x lies at (x + .5) / pixels_per_cell - .5 on the grid.
        return np.array(
            [[1 / across, 0, (origin[0] + 0.5) / across - 0.5], [0, 1 / down, (origin[1] + 0.5) / down - 0.5]]
        )


def find_backing(image: Float) -> Backing:
    """Find the backing of an image of brightness 0..1, (row, column).

    The brightness met most often along the rim of the scan starts a quadratic surface, fitted by iteratively reweighted
    least squares (Holland & Welsch 1977) so that bones, labels and rulers lose their weight; what is left of slow
    unevenness is then taken up by a smooth correction. A rectangle that fills most of the scan inside another
    brightness is a card, page or light table in a frame: the search starts again within it.
    """
    height, width = image.shape
    shrink = max(1.0, max(height, width) / _BACKING_GRID_PX)
    size = (max(8, round(width / shrink)), max(8, round(height / shrink)))
    grid = np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.float32)
    field = np.ones(grid.shape, bool)
    surface = _surface(grid, field)
    for _ in range(_FRAMES_AT_MOST):
        inner = _framed(grid, surface, field)
        if inner is None:
            break
        field = inner
        surface = _surface(grid, field)
    field &= _open_glass(grid - surface, field)
    residual = np.abs(grid - surface)[field]
    standing_out = residual[residual > 1.5 * _NEAR]
    contrast = float(np.percentile(standing_out, 80)) if standing_out.size >= 6 else 0.0
    return Backing(surface, (width / size[0], height / size[1]), field, median(surface[field]), contrast)


def _surface(grid: Float, field: Mask) -> Float:
    """The backing's brightness on the grid, fitted to the cells of the field.

    Things lie on one side of a dark or bright backing, so residuals on that side lose their weight sooner.
    """
    rows, columns = grid.shape
    y, x = np.mgrid[-1 : 1 : rows * 1j, -1 : 1 : columns * 1j].astype(np.float32)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)
    sparse = field[::_EVERY, ::_EVERY]
    inside, seen = terms[::_EVERY, ::_EVERY][sparse], grid[::_EVERY, ::_EVERY][sparse]
    rim = grid[_rim(field)]
    start = _commonest(rim)
    things_brighter = 1.0 if start > SURELY_BRIGHT else _ONE_SIDE
    things_darker = 1.0 if start < SURELY_DARK else _ONE_SIDE
    residual = seen - start
    # Where the rim is even the backing is, and a faint bone on it must not draw the surface to itself.
    scale = float(np.clip(_RIM_SPREADS * 1.4826 * median(np.abs(rim - start)), _LEAST_FIRST_SCALE, _FIRST_SCALE))
    solution = np.array([start, 0, 0, 0, 0, 0], np.float32)
    for turn in range(_FITS):
        side = np.where(residual > 0, things_brighter, things_darker)
        weight = 1 / (1 + (residual / (scale * side)) ** 2) ** 2
        used = 3 if turn < 2 else 6  # a plane first: a curved surface could bend into a large bone
        weighted = inside[:, :used] * weight[:, None]
        part = np.linalg.solve(weighted.T @ inside[:, :used] + 1e-3 * np.eye(used, dtype=np.float32), weighted.T @ seen)
        solution[:used], solution[used:] = part, 0
        residual = seen - inside @ solution
        spread = 2.5 * 1.4826 * median(np.abs(residual[np.abs(residual) < 2 * scale]))
        scale = float(np.clip(spread, _LEAST_SCALE, scale))
    surface: Float = (terms @ solution).astype(np.float32)
    sigma = 0.08 * max(rows, columns)
    for _ in range(3):
        off = grid - surface
        near = (np.abs(off) < _NEAR) & field
        near = cv2.erode(near.astype(np.uint8), np.ones((3, 3), np.uint8), borderValue=1).astype(np.float32)
        total = cv2.GaussianBlur(off * near, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
        surface = surface + total / (cv2.GaussianBlur(near, (0, 0), sigma, borderType=cv2.BORDER_REFLECT) + 0.05)
    return np.clip(surface, 0, 1)


def _framed(grid: Float, surface: Float, field: Mask) -> Mask | None:
    """The rectangle within the field that is the true backing, when the field so far was a frame around it."""
    different = ((np.abs(grid - surface) > _FRAME_CONTRAST) & field).astype(np.uint8)
    contours, _ = cv2.findContours(different, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    for contour in contours:
        area = cv2.contourArea(contour)
        if area < _FRAME_SHARE * np.count_nonzero(field):
            continue
        (_, (across, down), _) = cv2.minAreaRect(contour)
        if area > _FRAME_FILL * across * down:
            inner = cv2.drawContours(np.zeros_like(different), [contour], -1, 1, -1)
            inner = cv2.erode(inner, np.ones((3, 3), np.uint8), borderValue=1)
            return np.asarray(inner > 0)
    return None


def _open_glass(off: Float, field: Mask) -> Mask:
    """False on strips along the scan's edges that for most of their length differ from the backing, all to one side."""
    open_glass = np.ones(field.shape, bool)
    for turned in range(4):
        # Each edge in turn is made the top one; `np.rot90` gives views, so writing reaches the array itself.
        difference, inside, seen = (np.rot90(a, turned) for a in (off, field, open_glass))
        strips = max(1, round(_LID_SHARE * seen.shape[0]))
        depth = 0
        for row in range(strips):
            cells = difference[row][inside[row]]
            if cells.size:
                low, high = (int(share * (cells.size - 1)) for share in (0.3, 0.7))
                ordered = np.sort(cells)
                if max(ordered[low], -ordered[high]) <= _LID_CONTRAST:
                    break
            depth = row + 1
        seen[: depth + (depth > 0)] = False
    return open_glass


def _rim(field: Mask) -> Mask:
    """The outer cells of the field."""
    depth = max(2, round(0.04 * max(field.shape)))
    inner = cv2.erode(field.astype(np.uint8), np.ones((2 * depth + 1,) * 2, np.uint8), borderValue=0)
    return np.asarray(field & (inner == 0))


def _commonest(values: Float) -> float:
    """The mode of brightness values 0..1."""
    counts, edges = np.histogram(values, 100, (0, 1))
    best = int(np.argmax(np.convolve(counts, [1, 2, 3, 2, 1], "same")))
    return float(edges[best] + edges[best + 1]) / 2


def _resampled(grid: cv2.typing.MatLike, placing: NDArray[np.float64], shape: tuple[int, int], how: int) -> Float:
    flags = how | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(grid, placing, (shape[1], shape[0]), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)

"""The order in which a person reads the bones of a tray: rows top to bottom, left to right in a row."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Point

_MOST_TILT_DEGREES = 8  # degrees; a tray turned more than this on the glass is read along the scan
_ROW_GAP_SHARE = 0.55  # share of the bones' median height by which a bone lies below a row to begin the next one
_TALL_SHARE = 1.5  # height over the bones' median; taller bones belong to the row of the smaller ones beside them
_ROW_COST = 0.02  # cost of a row, in squares of the median height: against many rows
_TILT_COST = 0.02  # cost of the largest tilt, in squares of the median height


def reading_order(centres: Sequence[Point], heights: Sequence[float]) -> list[int]:
    """Indices of the bones in reading order.

    `centres` are (x, y) and `heights` the bones' sizes down the scan, pixels. A tray laid a little askew is read along
    its own rows: of the tilts tried the one that makes rows tightest is taken, and a level tray when it does as well.
    A bone much taller than the others makes no row of its own when some lie beside it: it belongs to the uppermost of
    their rows.
    """
    if len(centres) < 2:
        return list(range(len(centres)))
    x, y = np.array(centres, float).T
    height = np.array(heights, float)
    typical = float(np.median(height))
    tall = height > _TALL_SHARE * typical
    best: tuple[float, list[list[int]]] | None = None
    for degrees in sorted(np.arange(-_MOST_TILT_DEGREES, _MOST_TILT_DEGREES + 0.5), key=abs):
        tilt = np.deg2rad(degrees)
        down, along = y * np.cos(tilt) - x * np.sin(tilt), x * np.cos(tilt) + y * np.sin(tilt)
        rows = _rows(down, np.flatnonzero(~tall), _ROW_GAP_SHARE * typical)
        scatter = sum(float(np.sum((down[r] - down[r].mean()) ** 2)) for r in rows) / len(x)
        cost = scatter / typical**2 + _ROW_COST * len(rows) + _TILT_COST * (degrees / _MOST_TILT_DEGREES) ** 2
        if best is None or cost < best[0] - 1e-9:
            rows = _joined(rows, np.flatnonzero(tall), down, height)
            best = cost, [sorted(r, key=lambda i: along[i]) for r in rows]
    assert best is not None
    return [int(i) for row in best[1] for i in row]


def _rows(down: NDArray[np.float64], bones: NDArray[np.intp], gap: float) -> list[list[int]]:
    """Bones by row: one begins a new row when it lies more than `gap` below the mean of the row so far."""
    rows: list[list[int]] = []
    for i in bones[np.argsort(down[bones], kind="stable")]:
        if rows and down[i] - float(np.mean(down[rows[-1]])) <= gap:
            rows[-1].append(int(i))
        else:
            rows.append([int(i)])
    return rows


def _joined(
    rows: list[list[int]], tall: NDArray[np.intp], down: NDArray[np.float64], height: NDArray[np.float64]
) -> list[list[int]]:
    """The rows, top to bottom, with each tall bone in the uppermost one whose middle it reaches, or in one of its own.

    Tall bones that reach each other share a row.
    """
    middles = [float(np.mean(down[row])) for row in rows]
    joined = [list(row) for row in rows]
    for i in tall[np.argsort(down[tall], kind="stable")]:
        beside = [k for k, middle in enumerate(middles) if abs(middle - down[i]) <= height[i] / 2]
        if beside:
            joined[beside[0]].append(int(i))
        else:
            joined.append([int(i)])
            middles.append(float(down[i]))
    return [joined[k] for k in np.argsort(middles, kind="stable")]

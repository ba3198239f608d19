"""Bones drawn a second way: filled discs and polygons of scikit-image, laid one on the other.

It shares nothing with the project's renderer nor with the reader, so that those two cannot agree on a wrong idea. A
bone is a stack of the shapes it had at each winter, painted from the largest down, and grows thinner from the base to
the margin; there are no textures, and marks are true circles, eggs or triangles about the focus.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage import draw

OUTLINES = ("fan", "round", "narrow", "notched")
EMPTY_MM = 2.5  # bed around the bone
SOFT_STEPS = 3  # shades from summer to the full winter zone
WINTER = 0.22  # of an increment
SUMMER_OPACITY, WINTER_OPACITY = 0.80, 0.45  # share of light scattered back
THINNER_AT_MARGIN = 0.2  # share of the base's opacity that the margin lacks
BED = {"reflected": 0.06, "transmitted": 0.93}
BLUR_PX = 0.7
LOBES = 7  # waves of a mark or margin in a full turn


@dataclass(frozen=True)
class Drawn:
    """A picture and what is known of it; points are x, y in pixels."""

    picture: NDArray[np.generic]
    focus: tuple[float, float]
    tip: tuple[float, float]
    radii_px: tuple[float, ...]
    """Of the annuli, along the growth axis."""
    mask: NDArray[np.bool_]

    def place(self, radius_px: float) -> tuple[float, float]:
        """The point of the growth axis so far from the focus."""
        share = radius_px / np.hypot(self.tip[0] - self.focus[0], self.tip[1] - self.focus[1])
        return (
            self.focus[0] + share * (self.tip[0] - self.focus[0]),
            self.focus[1] + share * (self.tip[1] - self.focus[1]),
        )


def draw_bone(
    annuli: int | Sequence[float] = 4,
    outline: str = "fan",
    *,
    angle_deg: float = 20.0,
    mirror: bool = False,
    lighting: str = "reflected",
    dpi: float = 600.0,
    radius_mm: float = 14.0,
    contrast: float = 1.0,
    noise: float = 0.006,
    bits: int = 8,
    lobes: float = 0.0,
) -> Drawn:
    """A bone of `radius_mm` from focus to margin.

    `annuli`: how many, by steps that shrink evenly; or the radius of each in mm. `outline`: one of OUTLINES.
    `angle_deg`: direction of the growth axis from x towards y. `lighting`: `reflected` (dark bed, opaque zones bright)
    or `transmitted`. `contrast`: 1 plain, 0 without marks. `noise`: standard deviation, share of white. `bits`: 8 or
    16. `lobes`: height of the waves in marks and margin of a fan, share of their radius; each mark has its own.
    """
    radii_mm = _shrinking(annuli, radius_mm) if isinstance(annuli, int) else [float(r) for r in annuli]
    if any(outer <= inner for inner, outer in pairwise([0.0, *radii_mm, radius_mm])):
        raise ValueError("each annulus must lie beyond the one before and inside the margin")
    scale = dpi / 25.4
    full = radius_mm * scale
    corners = _turned(_corners(outline, full, lobes), angle_deg, mirror)
    pad = EMPTY_MM * scale
    focus = np.array([pad, pad]) - corners.min(axis=0)
    shape = tuple(int(np.ceil(v)) for v in (np.ptp(corners, axis=0) + 2 * pad)[::-1])
    mask = _filled(corners + focus, shape)

    opacity = np.full(shape, SUMMER_OPACITY)
    inner = np.array([0.0, *radii_mm]) * scale
    for k in range(len(radii_mm), 0, -1):
        width = max(WINTER * (inner[k] - inner[k - 1]), 1.5)
        for step in range(SOFT_STEPS, -1, -1):  # from the sharp outer edge inwards, back to summer
            loss = contrast * (SUMMER_OPACITY - WINTER_OPACITY) * step / SOFT_STEPS
            size = inner[k] - width * (SOFT_STEPS - step) / SOFT_STEPS
            rows, columns = _ring(outline, focus, size, angle_deg, mirror, shape, lobes, phase=1.3 * k)
            opacity[rows, columns] = SUMMER_OPACITY - loss
    knob = draw.disk((focus[1], focus[0]), 0.045 * full, shape=shape)
    opacity[knob] = 0.95
    thin = np.clip(ndimage.distance_transform_edt(mask) / (0.012 * full), 0.6, 1)
    rows, columns = np.indices(shape)
    thin *= 1 - THINNER_AT_MARGIN * np.hypot(columns - focus[0], rows - focus[1]) / full

    light = opacity * thin if lighting == "reflected" else 0.9 * (1 - 0.75 * opacity * thin)
    picture = np.where(mask, light, BED[lighting])
    picture = ndimage.gaussian_filter(picture, BLUR_PX)
    picture += np.random.default_rng(20240501).normal(0, noise, shape)
    top = 2**bits - 1
    tip = focus + _turned(np.array([[full, 0.0]]), angle_deg, mirror)[0]
    return Drawn(
        picture=np.round(np.clip(picture, 0, 1) * top).astype(np.uint8 if bits == 8 else np.uint16),
        focus=(float(focus[0]), float(focus[1])),
        tip=(float(tip[0]), float(tip[1])),
        radii_px=tuple(float(r) for r in inner[1:]),
        mask=mask,
    )


def _shrinking(count: int, radius_mm: float) -> list[float]:
    """Radii of so many annuli, each increment 0.85 of the one before, the last a half one."""
    steps = np.append(0.85 ** np.arange(count), 0.5 * 0.85**count)
    return [float(r) for r in np.cumsum(steps)[:-1] / steps.sum() * radius_mm]


def _corners(outline: str, full: float, lobes: float = 0.0) -> NDArray[np.float64]:
    """Points x, y of the margin about the focus; the growth axis is x."""
    if outline == "round":  # an egg with the focus at its small end; the middle of an ellipse is where scales begin
        turn = np.linspace(0, 2 * np.pi, 90, endpoint=False)
        along = 0.46 + 0.54 * np.cos(turn)
        return full * np.stack([along, 0.46 * np.sin(turn) * (0.55 + 0.45 * along)], axis=1)
    if outline == "narrow":  # a triangle with a blunt corner at the focus
        return full * np.array([[-0.06, -0.03], [-0.03, -0.07], [1.0, -0.5], [1.0, 0.45], [-0.03, 0.07], [-0.06, 0.03]])
    half = np.deg2rad(48)
    arc = np.linspace(-half, half, 160)
    reach = 1 + lobes * np.sin(LOBES * arc)
    if outline == "notched":
        reach -= 0.10 * np.clip(1 - np.abs(arc - np.deg2rad(24)) / np.deg2rad(7), 0, 1)
        reach += 0.10 * np.clip(1 - np.abs(arc + np.deg2rad(42)) / np.deg2rad(6), 0, 1)
    elif outline != "fan":
        raise ValueError(f"{outline}: no such outline")
    back = 0.06 * np.stack([np.cos(np.linspace(half + 1.6, 2 * np.pi - half - 1.6, 20)),
                            np.sin(np.linspace(half + 1.6, 2 * np.pi - half - 1.6, 20))], axis=1)  # fmt: skip
    return full * np.concatenate([np.stack([reach * np.cos(arc), reach * np.sin(arc)], axis=1), back])


def _turned(points: NDArray[np.float64], angle_deg: float, mirror: bool) -> NDArray[np.float64]:
    x, y = points[:, 0], -points[:, 1] if mirror else points[:, 1]
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    return np.stack([c * x - s * y, s * x + c * y], axis=1)


def _filled(points: NDArray[np.float64], shape: tuple[int, ...]) -> NDArray[np.bool_]:
    mask = np.zeros(shape, bool)
    mask[draw.polygon(points[:, 1], points[:, 0], shape)] = True
    return mask


def _ring(outline: str, focus: NDArray[np.float64], size: float, angle_deg: float, mirror: bool,
          shape: tuple[int, ...], lobes: float, phase: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:  # fmt: skip
    """Pixels inside the mark of a given radius on the growth axis."""
    if lobes:
        turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
        reach = size * (1 + lobes * (np.sin(LOBES * turn + phase) - np.sin(phase)))
        around = np.stack([reach * np.cos(turn), reach * np.sin(turn)], axis=1)
        corners = _turned(around, angle_deg, mirror) + focus
        return draw.polygon(corners[:, 1], corners[:, 0], shape)
    if outline in ("fan", "notched"):
        return draw.disk((focus[1], focus[0]), size, shape=shape)
    corners = _turned(_corners(outline, size), angle_deg, mirror) + focus
    return draw.polygon(corners[:, 1], corners[:, 0], shape)

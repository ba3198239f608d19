"""Where one bone lies in its own small picture, and textures laid over it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from pipeline.records import Float
from pipeline.simulate.noise import Random, cloud, ripple
from pipeline.simulate.place import AXIS, DIRECTIONS, PER_DEGREE, Place, put_down, unrolled

DRAWN_OUTSIDE_PX = 0.4  # a filled polygon covers about this much more than its outline
LAYERS = (15.0, 60.0)  # fine layers between focus and margin
LAYER_STEPS = 8  # of the table of layers, for each
STRIAE_COLUMNS = 160  # of the table from which radial textures are laid out


@dataclass(frozen=True, slots=True, kw_only=True)
class Canvas:
    """Arrays (row, column) of the bone's picture; the focus counts from its top-left pixel."""

    place: Place
    axis_px: float
    margin: Float
    """(DIRECTIONS,) px, without its roughness."""
    radius: Float
    """(row, column) px from the focus."""
    direction: Float
    """(row, column) place in tables by direction."""
    cover: Float
    """1 on the bone, 0 beside it."""

    def around(self, table: Float) -> Float:
        """(row, column) values of a table (DIRECTIONS,)."""
        closed = np.concatenate([table, table[:1]])[None]
        return np.asarray(
            cv2.remap(closed, self.direction, np.zeros_like(self.direction), cv2.INTER_LINEAR), np.float32
        )

    def depth(self) -> Float:
        """(row, column) px from the nearest edge of the bone, 0 beside it."""
        return np.asarray(cv2.distanceTransform(np.asarray(self.cover > 0.5, np.uint8), cv2.DIST_L2, 5), np.float32)


def lay_down(random: Random, margin: Float, axis_px: float, side: str, roughness: float) -> Canvas:
    """A bone at a random rotation; a right one (`side` R) is the mirror image of a left one.

    `margin` (DIRECTIONS,) in shares of the axis; `roughness` of the edge as a share of the radius.
    """
    table = np.asarray(margin * np.float32(axis_px), np.float32)
    fine = ripple(random, DIRECTIONS, random.uniform(1.2, 4) * PER_DEGREE)
    coarse = ripple(random, DIRECTIONS, random.uniform(8, 25) * PER_DEGREE)
    rough = np.clip(0.6 * fine + coarse, -2.2, 1.2)
    rim = table * (1 + np.float32(roughness) * (rough - rough[AXIS])) - DRAWN_OUTSIDE_PX
    place, cover = put_down(random, np.asarray(rim, np.float32), side)
    radius, direction = unrolled((cover.shape[0], cover.shape[1]), place)
    return Canvas(
        place=place,
        axis_px=axis_px,
        margin=table,
        radius=radius,
        direction=direction,
        cover=np.asarray(cover / np.float32(255), np.float32),
    )


def striae(random: Random, canvas: Canvas, wave_deg: float, length: float) -> Float:
    """(row, column) fibres that run out from the focus, standard deviation near 1; `length` as a share of the axis."""
    shape = (DIRECTIONS, STRIAE_COLUMNS)
    table = cloud(random, shape, (wave_deg * PER_DEGREE, length * STRIAE_COLUMNS))
    table *= np.clip(np.arange(STRIAE_COLUMNS, dtype=np.float32) / (0.3 * STRIAE_COLUMNS), 0.1, 1)[None]
    closed = np.concatenate([table, table[:1]])
    across = canvas.radius * np.float32((STRIAE_COLUMNS - 1) / float(canvas.margin.max()))
    return np.asarray(
        cv2.remap(closed, across, canvas.direction, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
    )


def lamellae(random: Random, canvas: Canvas, course: Float) -> Float:
    """(row, column) fine layers along the marks, which are no annuli, standard deviation near 1 where they are plain:
    none runs round the whole bone. `course` (DIRECTIONS,) px: how the outermost mark runs."""
    layers = random.uniform(*LAYERS)
    calendar = gaussian_filter1d(random.standard_normal(round(1.5 * layers * LAYER_STEPS)), LAYER_STEPS / 2.5)
    at = canvas.radius / canvas.around(course) * np.float32(layers) + layers * 0.02 * blotches(random, canvas, 0.3)
    at = np.asarray(np.clip(at * LAYER_STEPS, 0, len(calendar) - 1), np.float32)
    table = np.asarray(calendar / calendar.std(), np.float32)[None]
    drawn = cv2.remap(table, at, np.zeros_like(at), cv2.INTER_LINEAR)
    return np.asarray(drawn * np.clip(0.5 + blotches(random, canvas, 0.2), 0, 1), np.float32)


def blotches(random: Random, canvas: Canvas, share: float) -> Float:
    """(row, column) a cloud whose grain is a share of the axis, standard deviation near 1."""
    return cloud(random, (canvas.cover.shape[0], canvas.cover.shape[1]), (canvas.axis_px * share,) * 2)


def strut(canvas: Canvas, degrees: float, width: float, reach: float) -> Float:
    """(row, column) 0 to 1: a ridge that runs out from the focus, broader and lower with distance.

    `width` half width at the focus and `reach` length, shares of the axis.
    """
    angle = (canvas.direction - AXIS) / np.float32(PER_DEGREE) - np.float32(degrees)
    angle = np.deg2rad((angle + 180) % 360 - 180)
    share = canvas.radius / np.float32(canvas.axis_px)
    across = share * np.sin(angle) / (np.float32(width) * (1 + 1.5 * share))
    ahead = np.clip(0.5 + 8 * share * np.cos(angle), 0, 1)
    return np.asarray(ahead * np.exp(-(across**2)) * np.clip(1 - share / np.float32(reach), 0, 1), np.float32)

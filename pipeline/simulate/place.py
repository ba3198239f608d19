"""Where a bone lies in its own small picture, and tables unrolled about its focus laid back into that picture.

Directions are degrees from the growth axis; curves about the focus are arrays (DIRECTIONS,), a quarter of a degree
apart, that begin opposite the growth axis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from pipeline.records import Float, Point
from pipeline.simulate.noise import Array, Random

DIRECTIONS = 1440  # around the circle: a quarter of a degree, 3 px along the margin of a large bone
DEGREES: Float = np.asarray((np.arange(DIRECTIONS) - DIRECTIONS // 2) * 360.0 / DIRECTIONS, np.float32)
PER_DEGREE = DIRECTIONS / 360.0
AXIS = DIRECTIONS // 2  # row of the growth axis
PAD_PX = 5  # empty pixels around a bone in its picture
SUBPIXEL_BITS = 4  # polygons are drawn to a sixteenth of a pixel


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """How a bone lies in its picture, or on its scan."""

    focus: Point
    axis_deg: float
    """Direction of the growth axis, degrees from x towards y."""
    mirrored: bool

    def at(self, degrees: Array, radius: Array) -> tuple[Array, Array]:
        """Picture x, y of points given in degrees from the growth axis (as on an unmirrored bone) and pixels."""
        angle = np.deg2rad(self.axis_deg + (-degrees if self.mirrored else degrees))
        return self.focus[0] + radius * np.cos(angle), self.focus[1] + radius * np.sin(angle)

    def moved(self, x: float, y: float) -> Place:
        """The same place where the picture's top-left pixel lies at x, y."""
        return replace(self, focus=(self.focus[0] + x, self.focus[1] + y))


def put_down(random: Random, rim: Float, side: str) -> tuple[Place, Array]:
    """A bone with the margin `rim` (DIRECTIONS,) px, turned at random: its place, and a picture (row, column), uint8,
    255 on the bone. A right bone (`side` R) is the mirror image of a left one."""
    place = Place(focus=(0.0, 0.0), axis_deg=float(random.uniform(-180, 180)), mirrored=side == "R")
    x, y = place.at(DEGREES, rim)
    within = random.random(2)  # no bone knows the grid of pixels
    place = replace(place, focus=(float(PAD_PX - x.min() + within[0]), float(PAD_PX - y.min() + within[1])))
    x, y = place.at(DEGREES, rim)
    cover = np.zeros((int(np.ceil(y.max())) + PAD_PX, int(np.ceil(x.max())) + PAD_PX), np.uint8)
    fill(cover, x, y, 255)
    return place, cover


def fill(image: Array, x: Array, y: Array, value: int) -> None:
    """A polygon, in place."""
    cv2.fillPoly(image, [subpixels(x, y)], (value,), cv2.LINE_AA, shift=SUBPIXEL_BITS)


def subpixels(x: Array, y: Array) -> Array:
    """Points for the drawing library, in sixteenths of a pixel."""
    return np.asarray(np.round(np.stack([x, y], axis=1) * 2**SUBPIXEL_BITS), np.int32)


def unrolled(shape: tuple[int, int], place: Place) -> tuple[Float, Float]:
    """For each pixel of a picture: its radius in pixels, and its row in tables (DIRECTIONS, ...), a fraction."""
    x = np.arange(shape[1], dtype=np.float32)[None] - np.float32(place.focus[0])
    y = np.arange(shape[0], dtype=np.float32)[:, None] - np.float32(place.focus[1])
    radius, angle = cv2.cartToPolar(
        np.broadcast_to(x, shape).copy(), np.broadcast_to(y, shape).copy(), angleInDegrees=True
    )
    turned = (place.axis_deg - angle if place.mirrored else angle - place.axis_deg) + 180
    return np.asarray(radius, np.float32), np.asarray(np.mod(turned, 360) * np.float32(PER_DEGREE), np.float32)


def rolled_up(table: Float, radius: Float, row: Float) -> Float:
    """A table (DIRECTIONS, radius in px) laid back around the focus, where `radius` and `row` are from `unrolled`."""
    closed = np.concatenate([table, table[:1]])
    return np.asarray(cv2.remap(closed, radius, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)

"""A flat table seen aslant: the picture, and what is known of its bones, carried through one perspective."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from pipeline.records import Float, Point
from pipeline.simulate.noise import Array, Random
from pipeline.simulate.place import AXIS, DEGREES, Place
from pipeline.simulate.truth import DrawnBone

NEAREST_PX = 0.5  # points nearer to the focus than that have no direction


@dataclass(frozen=True, slots=True)
class Slant:
    """A perspective that keeps the whole table in view."""

    matrix: Array
    """(3, 3) from table to picture."""
    size: tuple[int, int]
    """Width and height of the picture."""

    @staticmethod
    def drawn(random: Random, size: tuple[int, int], most: float) -> Slant:
        """Corners of the table each move by up to `most` of its sides."""
        width, height = size
        corners = np.array([[0, 0], [width, 0], [width, height], [0, height]], np.float32)
        moved = corners + np.asarray(random.uniform(-most, most, (4, 2)) * (width, height), np.float32)
        moved -= moved.min(axis=0)
        scale = np.array(size, np.float32) / moved.max(axis=0)
        moved *= float(scale.min())
        seen = np.ceil(moved.max(axis=0)).astype(int)
        return Slant(np.asarray(cv2.getPerspectiveTransform(corners, moved)), (int(seen[0]), int(seen[1])))

    def view(self, table: Float, around: tuple[int, int]) -> Float:
        """(row, column, channel) the table in the picture; `around`: pixels to the left and above, and as many to the
        right and below, by which the table given reaches beyond the one that the points lie on."""
        moved = np.array([[1, 0, -around[0]], [0, 1, -around[1]], [0, 0, 1]], float)
        seen = cv2.warpPerspective(
            table, self.matrix @ moved, self.size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(seen, np.float32).reshape(self.size[1], self.size[0], table.shape[2])

    def points(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Where points of the table lie in the picture."""
        there = self.matrix @ np.stack([np.ravel(x), np.ravel(y), np.ones(np.size(x))])
        return (there[0] / there[2]).reshape(np.shape(x)), (there[1] / there[2]).reshape(np.shape(x))


def seen_aslant(bone: DrawnBone, slant: Slant) -> DrawnBone:
    """What is known of a bone on the table, as it is in the picture: straight lines stay straight, so each annulus
    still crosses the growth axis where it did."""
    focus = _point(slant, bone.place.focus)
    tip = _point(slant, tuple(float(v) for v in bone.place.at(np.array(0.0), np.array(bone.axis_px))))  # type: ignore[arg-type]
    place = replace(
        bone.place, focus=focus, axis_deg=float(np.rad2deg(np.arctan2(tip[1] - focus[1], tip[0] - focus[0])))
    )
    lines = []
    for line in bone.lines:
        outer = _curve(slant, bone.place, place, line.outer)
        inner = _curve(slant, bone.place, place, np.maximum(line.outer - line.width, NEAREST_PX))
        scale = float(outer[AXIS] / line.outer[AXIS])
        lines.append(
            replace(
                line,
                outer=outer,
                width=np.maximum(outer - inner, NEAREST_PX),
                edge_px=line.edge_px * scale,
                strength=_turned(slant, bone.place, place, line.outer, line.strength),
            )
        )
    return replace(
        bone,
        place=place,
        axis_px=float(np.hypot(tip[0] - focus[0], tip[1] - focus[1])),
        margin=_curve(slant, bone.place, place, bone.margin),
        lines=tuple(lines),
    )


def _point(slant: Slant, point: Point) -> Point:
    x, y = slant.points(np.array(point[0]), np.array(point[1]))
    return float(x), float(y)


def _directions(slant: Slant, before: Place, after: Place, radius: Float) -> tuple[Array, Array]:
    """Degrees from the axis and distance from the focus, in the picture, of a curve (DIRECTIONS,) on the table."""
    x, y = slant.points(*before.at(DEGREES.astype(float), np.maximum(radius, NEAREST_PX).astype(float)))
    dx, dy = x - after.focus[0], y - after.focus[1]
    turned = np.rad2deg(np.arctan2(dy, dx)) - after.axis_deg
    degrees = (-turned if after.mirrored else turned) % 360
    return np.where(degrees > 180, degrees - 360, degrees), np.hypot(dx, dy)


def _curve(slant: Slant, before: Place, after: Place, radius: Float) -> Float:
    degrees, distance = _directions(slant, before, after, radius)
    order = np.argsort(degrees)
    return np.asarray(np.interp(DEGREES, degrees[order], distance[order], period=360), np.float32)


def _turned(slant: Slant, before: Place, after: Place, radius: Float, values: Float) -> Float:
    degrees, _ = _directions(slant, before, after, radius)
    order = np.argsort(degrees)
    return np.asarray(np.interp(DEGREES, degrees[order], values[order], period=360), np.float32)

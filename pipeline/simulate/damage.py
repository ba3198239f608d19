"""What befalls bones: nicks, cracks, breaks, holes."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Array, Random
from pipeline.simulate.place import DIRECTIONS, PER_DEGREE, SUBPIXEL_BITS, Place, fill, subpixels

CLEAR_OF_AXIS_DEG = 9.0  # damage keeps this far from the growth axis, so that truth stays on the bone


def hurt(random: Random, cover: Array, stain: Float, margin: Float, half_angle_deg: float, place: Place) -> None:
    """One nick, break, crack or hole, in place."""
    reach = float(np.clip(half_angle_deg, CLEAR_OF_AXIS_DEG + 6, 60))
    direction = random.choice([-1, 1]) * random.uniform(CLEAR_OF_AXIS_DEG, reach)
    rim = float(margin[int((direction + 180) * PER_DEGREE) % DIRECTIONS])
    kind = random.choice(["nick", "crack", "break", "hole"], p=[0.4, 0.3, 0.18, 0.12])
    if kind == "nick":
        half, depth = random.uniform(0.8, 3.0), random.uniform(0.02, 0.09) * rim
        d = direction + half * np.array([-1.2, -0.7, -0.2, 0.3, 0.8, 1.2, 1.2, -1.2])
        r = rim - depth * np.array([-0.4, 0.6, 1.0, 0.8, 0.5, -0.4, -1.0, -1.0]) * random.uniform(0.8, 1.2, 8)
        fill(cover, *place.at(d, r), 0)
    elif kind == "crack":
        r = np.linspace(rim * 1.01, rim * random.uniform(0.4, 0.8), 20)
        d = direction + np.cumsum(random.normal(0, 0.35, 20))
        line = np.zeros(cover.shape, np.uint8)
        cv2.polylines(
            line,
            [subpixels(*place.at(d, r))],
            False,
            (255,),
            max(1, round(rim / 350)),
            cv2.LINE_AA,
            shift=SUBPIXEL_BITS,
        )
        stain *= 1 - np.float32(random.uniform(0.3, 0.7)) * line.astype(np.float32) / 255
    elif kind == "break":  # the corner of the fan is gone
        side = np.sign(direction)
        near = max(reach * random.uniform(0.55, 0.8), CLEAR_OF_AXIS_DEG)
        d = side * np.linspace(near, reach + 12, 14)
        r = rim * (np.linspace(1.02, random.uniform(0.5, 0.75), 14) + random.normal(0, 0.006, 14))
        d, r = np.append(d, [side * (reach + 12), side * near]), np.append(r, [2.0 * rim, 2.0 * rim])
        fill(cover, *place.at(d, r), 0)
    else:
        middle, size = rim * random.uniform(0.4, 0.85), rim * random.uniform(0.008, 0.025)
        x, y = place.at(np.array(direction), np.array(middle))
        turn = np.linspace(0, 2 * np.pi, 14, endpoint=False)
        bulge = size * random.uniform(0.6, 1.3, 14)
        fill(cover, x + bulge * np.cos(turn), y + bulge * np.sin(turn), 0)


def slit(random: Random, cover: Array, margin: Float, half_angle_deg: float, place: Place) -> None:
    """A gap that opens towards the margin, as drying tears it, in place."""
    reach = max(half_angle_deg - 4, CLEAR_OF_AXIS_DEG + 1)
    direction = random.choice([-1, 1]) * random.uniform(CLEAR_OF_AXIS_DEG, reach)
    rim = float(margin[int((direction + 180) * PER_DEGREE) % DIRECTIONS])
    opening = random.uniform(0.3, 1.2)
    degrees = direction + np.array([0.0, opening, -opening])
    radii = rim * np.array([random.uniform(0.45, 0.9), 1.02, 1.02])
    fill(cover, *place.at(degrees, radii), 0)

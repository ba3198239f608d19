"""What befell a bone on the plate, in the pot and in the envelope: nicks, slits, holes, torn corners, cracks."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Random
from pipeline.simulate.place import DIRECTIONS, PER_DEGREE, SUBPIXEL_BITS, fill, subpixels
from pipeline.simulate.sketching.canvas import Canvas

CLEAR_DEG = 9.0  # damage keeps this far from the growth axis, so that truth stays on the bone
KINDS = ("nick", "slit", "hole", "corner", "crack", "crack")


def hurt(random: Random, canvas: Canvas, half_deg: tuple[float, float]) -> tuple[Canvas, Float]:
    """The bone with one to three injuries, and the cracks (row, column), 0 to 1."""
    cover = np.round(canvas.cover * 255).astype(np.uint8)
    cracks = np.zeros(cover.shape, np.uint8)
    for _ in range(int(random.integers(1, 4))):
        side = int(random.integers(2))
        reach = max(half_deg[side], CLEAR_DEG + 8)
        direction = (-1, 1)[side] * random.uniform(CLEAR_DEG, reach)
        rim = float(canvas.margin[int((direction + 180) * PER_DEGREE) % DIRECTIONS])
        kind = str(random.choice(KINDS))
        if kind == "nick":
            degrees = direction + random.uniform(0.8, 3.5) * np.array([-1.3, -0.6, 0.1, 0.7, 1.3])
            radius = rim * (1 + random.uniform(0.02, 0.09) * np.array([0.5, -0.7, -1.0, -0.6, 0.5]))
            fill(cover, *canvas.place.at(degrees, radius), 0)
        elif kind == "slit":  # a tear along a fibre, open at the margin
            radius = np.linspace(1.03, random.uniform(0.6, 0.9), 8) * rim
            wide = np.linspace(random.uniform(0.3, 1.4), 0.02, 8)
            lean = direction + np.cumsum(random.normal(0, 0.2, 8))
            path = (np.append(lean - wide, (lean + wide)[::-1]), np.append(radius, radius[::-1]))
            fill(cover, *canvas.place.at(*path), 0)
        elif kind == "hole":
            x, y = canvas.place.at(np.array(direction), np.array(rim * random.uniform(0.4, 0.85)))
            turn = np.linspace(0, 2 * np.pi, 12, endpoint=False)
            bulge = rim * random.uniform(0.006, 0.022) * random.uniform(0.6, 1.3, 12)
            fill(cover, x + bulge * np.cos(turn), y + bulge * np.sin(turn), 0)
        elif kind == "corner":
            away = (-1, 1)[side] * np.linspace(max(0.62 * reach, CLEAR_DEG), reach + 14, 12)
            broken = rim * (np.linspace(1.03, random.uniform(0.55, 0.8), 12) + random.normal(0, 0.008, 12))
            outside = np.append(broken, [2.2 * rim, 2.2 * rim])
            fill(cover, *canvas.place.at(np.append(away, away[[-1, 0]]), outside), 0)
        else:
            radius = np.linspace(rim * 1.01, rim * random.uniform(0.35, 0.8), 18)
            path = canvas.place.at(direction + np.cumsum(random.normal(0, 0.4, 18)), radius)
            thick = max(1, round(rim / random.uniform(250, 500)))
            cv2.polylines(cracks, [subpixels(*path)], False, (255,), thick, cv2.LINE_AA, shift=SUBPIXEL_BITS)
    hurt_cover = np.asarray(cover / np.float32(255), np.float32)
    return replace(canvas, cover=hurt_cover), np.asarray(cracks / np.float32(255), np.float32)

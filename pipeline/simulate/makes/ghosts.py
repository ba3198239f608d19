"""Bones that show the marks of both their faces: those of the far one faint, and a little aside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.simulate.anatomy import Body, Marks
from pipeline.simulate.fish import DrawnFish
from pipeline.simulate.makes import assembled, plain
from pipeline.simulate.noise import Random
from pipeline.simulate.place import PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import Variety

NAME = "ghosts"
LIGHTINGS = assembled.LIGHTINGS
OUTLINES = plain.OUTLINES
TURNED_DEG = (-14.0, 14.0)  # of the far face's marks about the focus
AHEAD = (-0.05, 0.05)  # of the growth axis, by which they lie farther out
FAINTER = (0.1, 0.4)  # their strength against the near face's


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    return assembled.put_together(random, plan, variety, NAME, plain.PARTS, plain.GROWTH, own_marks=draw_marks)


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Marks of another make, twice."""
    marks = plain.PARTS[int(random.integers(len(plain.PARTS)))].draw_marks(random, fish, plan, body)
    turn = round(random.uniform(*TURNED_DEG) * PER_DEGREE)
    ahead = round(random.uniform(*AHEAD) * body.axis_px)
    far = np.roll(marks.missing, (turn, ahead), axis=(0, 1)) * np.float32(random.uniform(*FAINTER))
    return replace(marks, missing=np.asarray(1 - (1 - marks.missing) * (1 - far), np.float32))

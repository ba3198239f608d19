"""Bones ribbed from the focus outward, so that every mark changes from rib to rib."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.simulate.anatomy import Body, Marks
from pipeline.simulate.fish import DrawnFish
from pipeline.simulate.makes import assembled, plain
from pipeline.simulate.noise import Random, ripple
from pipeline.simulate.place import DIRECTIONS, PER_DEGREE
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import Variety

NAME = "ribbed"
LIGHTINGS = assembled.LIGHTINGS
OUTLINES = plain.OUTLINES
RIB_DEG = (3.0, 16.0)  # width of two ribs
THICKER = (0.05, 0.3)  # standard deviation of their thickness, share
PLAINER = (0.0, 0.5)  # of the strength of marks on them


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    return assembled.put_together(random, plan, variety, NAME, plain.PARTS, plain.GROWTH, own_marks=draw_marks)


def draw_marks(random: Random, fish: DrawnFish, plan: Plan, body: Body) -> Marks:
    """Marks of another make on ribs."""
    marks = plain.PARTS[int(random.integers(len(plain.PARTS)))].draw_marks(random, fish, plan, body)
    ribs = ripple(random, DIRECTIONS, random.uniform(*RIB_DEG) * PER_DEGREE)[:, None] * np.sqrt(body.share)
    plainer = np.clip(1 + np.float32(random.uniform(*PLAINER)) * ribs, 0.1, 1.6)
    thicker = np.maximum(1 + np.float32(random.uniform(*THICKER)) * ribs, 0.2)
    opaque = (1 - np.minimum(marks.missing * plainer, 0.97)) * thicker
    return replace(marks, missing=np.asarray(1 - opaque, np.float32))

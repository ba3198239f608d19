"""Textures of bone that are no annual marks: striae, blotches, vessels, pores, fine lamellae, scratches, stains."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Array, Random, cloud, ease
from pipeline.simulate.place import DIRECTIONS, SUBPIXEL_BITS, Place, subpixels

GRAIN = (0.006, 0.035)  # size of coarse grains, share of the growth axis
GRAIN_REACH = (0.1, 0.6)  # distance from the focus over which they grow fine, share of the growth axis
GRAIN_LEFT = (0.05, 0.7)  # of their strength far from it
PITTED = 1.6  # standard deviations above which a hollow is a pit


def striae(random: Random, columns: int, finest_deg: float, broadest_deg: float) -> Float:
    """(DIRECTIONS, columns), mean 0, standard deviation near 1: fibres that run out from the focus, nearly straight."""
    shape = (DIRECTIONS, columns)
    per_degree = DIRECTIONS / 360
    fine = cloud(random, shape, (finest_deg * per_degree, columns / random.uniform(1.5, 4)))
    broad = cloud(random, shape, (broadest_deg * per_degree, columns / random.uniform(1, 3)))
    rising = np.clip(np.arange(columns, dtype=np.float32) / (0.4 * columns), 0.1, 1)[None]
    return np.asarray((0.7 * fine + 0.7 * broad) * rising, np.float32)


def lamellae(random: Random, age: Float, a_year: float) -> Float:
    """Along the marks, like `age` (DIRECTIONS, columns) in years; mean 0, standard deviation near 1. Many a year, none
    of which runs round the whole bone."""
    years = int(age.max()) + 2
    steps = max(int(8 * a_year), 8)
    calendar = np.convolve(random.standard_normal(years * steps), np.hanning(9) / 2, mode="same").astype(np.float32)
    slip = 0.6 / a_year * cloud(random, (age.shape[0], age.shape[1]), (DIRECTIONS / 30, age.shape[1] / 3))
    at = np.clip((age + slip) * steps, 0, len(calendar) - 1).astype(np.float32)
    return np.asarray(cv2.remap(calendar[None], at, np.zeros_like(at), cv2.INTER_LINEAR), np.float32)


def blotches(random: Random, shape: tuple[int, int], size_px: float) -> Float:
    """(row, column), mean 0, standard deviation near 1: clouds of several sizes."""
    total = 0.8 * cloud(random, shape, (size_px, size_px)) + 0.5 * cloud(random, shape, (size_px / 4, size_px / 4))
    return np.asarray(total + 0.3 * cloud(random, shape, (2.0, 2.0)), np.float32)


def grains(random: Random, share: Float, axis_px: float) -> Float:
    """(row, column) grains and pits of two sizes, coarsest about the focus: mean 0, standard deviation near 1 there;
    `share`: distance from the focus in shares of the growth axis."""
    shape = (share.shape[0], share.shape[1])
    broad = random.uniform(*GRAIN) * axis_px
    field = 0.8 * cloud(random, shape, (broad, broad)) + 0.6 * cloud(random, shape, (broad / 3, broad / 3))
    pits = np.maximum(cloud(random, shape, (broad, broad)) - PITTED, 0)
    left = np.float32(random.uniform(*GRAIN_LEFT))
    fading = left + (1 - left) * np.exp(-share / np.float32(random.uniform(*GRAIN_REACH)))
    return np.asarray((field - np.float32(1.5) * pits) * fading, np.float32)


def grease(random: Random, shape: tuple[int, int]) -> Float:
    """(row, column) 0 to 1: patches with soft edges."""
    size = max(shape) / random.uniform(3, 12)
    film = cloud(random, shape, (size, size)) + 0.3 * cloud(random, shape, (size / 5, size / 5))
    return ease((film - 0.6) / np.float32(random.uniform(0.3, 1.0)))


def vessels(random: Random, place: Place, shape: tuple[int, int], axis_px: float, count: int) -> Float:
    """(row, column) 0 to 1: canals that run out from the base and branch."""
    drawn = np.zeros(shape, np.uint8)
    branches = [(random.uniform(-35, 35), random.uniform(0.1, 0.25), random.uniform(0.25, 0.7), 1.0)
                for _ in range(count)]  # fmt: skip
    while branches:
        direction, start, length, size = branches.pop()
        along = np.linspace(start, start + length, 24)
        degrees = direction + np.cumsum(random.normal(random.normal(0, 0.25), 0.5, 24))
        width = max(1, round(size * random.uniform(0.004, 0.009) * axis_px))
        points = subpixels(*place.at(degrees, along * axis_px))
        shade = (int(random.uniform(120, 255)),)
        cv2.polylines(drawn, [points], False, shade, width, cv2.LINE_AA, shift=SUBPIXEL_BITS)
        if size > 0.5:
            k = int(random.integers(6, 18))
            branches += [(float(degrees[k]) + side, float(along[k]), length * 0.5, size * 0.6) for side in (-4.0, 4.0)]
    return np.asarray(cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), max(axis_px / 500, 0.6)), np.float32)


def pores(random: Random, place: Place, shape: tuple[int, int], axis_px: float, count: int, reach: float) -> Float:
    """(row, column) 0 to 1: small round openings, most of them near the base; `reach`: of the axis."""
    drawn = np.zeros(shape, np.uint8)
    for _ in range(count):
        at = np.abs(random.normal(0, reach)) * axis_px
        x, y = place.at(np.array(random.uniform(-70, 70)), np.array(at))
        size = max(1, round(random.uniform(0.002, 0.008) * axis_px))
        cv2.circle(drawn, (int(x), int(y)), size, (int(random.uniform(80, 255)),), -1, cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(drawn.astype(np.float32) / 255, (0, 0), 0.8), np.float32)


def stain(random: Random, shape: tuple[int, int], strength: float) -> Float:
    """(row, column) factor of light: a dried patch with a darker edge."""
    size = max(shape) / random.uniform(3, 8)
    film = cloud(random, shape, (size, size)) + 0.25 * cloud(random, shape, (size / 6, size / 6))
    patch = ease((film - 1.2) / 0.3)
    edge = np.exp(-(((film - 1.25) / 0.12) ** 2))
    return np.asarray(1 - np.float32(strength) * (0.6 * patch + 0.4 * edge), np.float32)


def scratches(random: Random, shape: tuple[int, int], count: int, width_px: float) -> Float:
    """(row, column) 0 to 1: straight or slightly bent lines across the bone."""
    drawn = np.zeros(shape, np.uint8)
    for _ in range(count):
        ends = random.uniform(0, 1, (2, 2)) * (shape[1], shape[0])
        bend = random.normal(0, 0.04, 2) * max(shape)
        middle = ends.mean(axis=0) + bend
        t = np.linspace(0, 1, 20)[:, None]
        points: Array = (1 - t) ** 2 * ends[0] + 2 * t * (1 - t) * middle + t**2 * ends[1]
        wide = max(1, round(width_px * random.uniform(0.6, 1.6)))
        shade = (int(random.uniform(90, 255)),)
        cv2.polylines(
            drawn, [subpixels(points[:, 0], points[:, 1])], False, shade, wide, cv2.LINE_AA, shift=SUBPIXEL_BITS
        )
    return np.asarray(drawn.astype(np.float32) / 255, np.float32)

"""The margin of an opercle at any size, as distance from the focus in every direction.

A margin is the soft intersection of a conic section about the focus (the far margin) with straight lines (the edges
that run from the articular corner, and cut-off far margins). Each of them advances at a rate of its own as the bone
grows, so that a young bone is no scaled copy of the old one. Directions are degrees from the growth axis.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pipeline.records import Float
from pipeline.simulate.noise import Array, Random
from pipeline.simulate.place import DEGREES, DIRECTIONS

KNOB_JOINT = 7  # norm of the soft union of blade and articular process
KNOB_LEAD = 0.9  # the articular process is large in young bones
KNOB_RADIUS = (0.055, 0.10)  # of the growth axis
KNOB_BEND = (0.1, 0.3)  # how far the articular process is from a circle
KNOB_ORDERS = range(1, 4)
BEND = (0.005, 0.03)  # how far the margin is from its ideal lines
BEND_ORDERS = range(3, 10)
CENTRAL_POWER = 3  # weight of a direction, as a power of the radius, when the middle of the fan is sought


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """A straight part of the margin."""

    normal_deg: float
    """Direction of the perpendicular from the focus."""
    distance: float
    """From the focus, at full size; the growth axis is about 1."""
    lead: float
    """Power of the size with which the distance grows; 1 keeps the shape, below 1 the edge is early far out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """A bump (spine, lobe) or a dent (notch) of the far margin."""

    centre_deg: float
    width_deg: float
    """Standard deviation; the leading flank is `skew` times as wide."""
    height: float
    """Share of the radius; negative for a notch."""
    onset: float
    """Power of the size with which it comes in: spines and notches grow late."""
    skew: float = 1.0


@dataclass(frozen=True, slots=True)
class Wave:
    """A slow bend around the whole bone."""

    order: int
    """Waves around the circle."""
    height: float
    """Share of the radius."""
    phase: float
    """Radians."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """One bone's margin at every size."""

    family: str
    edges: tuple[Edge, ...]
    eccentricity: float
    """Of the far margin's conic at full size; positive reaches farther along the growth axis."""
    young_eccentricity: float
    tilt_deg: float
    """Direction in which the conic reaches farthest."""
    sharpness: float
    """Norm of the soft intersection: high values give sharp corners."""
    knob: float
    """Mean radius of the articular process about the focus, of the growth axis."""
    knob_waves: tuple[Wave, ...]
    waves: tuple[Wave, ...]
    """Slow bends of the whole margin: no edge is quite straight."""
    features: tuple[Feature, ...] = ()
    turn_deg: float = 0.0
    """Added to directions so that 0 is the growth axis."""
    half_angle_deg: float = 45.0
    """Half of the fan's opening; 180 when the bone surrounds its focus."""

    def margin(self, size: float) -> Float:
        """Distance (DIRECTIONS,) from the focus for a bone whose growth axis is `size` long; just that on the axis."""
        young = min(size, 1.5) ** 0.8
        stretch = young * self.eccentricity + (1 - young) * self.young_eccentricity
        angle = np.deg2rad(DEGREES.astype(np.float64) + self.turn_deg)
        nearness = (1 - stretch * np.cos(angle - np.deg2rad(self.tilt_deg))) ** self.sharpness
        for edge in self.edges:
            nearness += (
                np.maximum(np.cos(angle - np.deg2rad(edge.normal_deg)), 0) / (edge.distance * size ** (edge.lead - 1))
            ) ** self.sharpness
        radius = nearness ** (-1 / self.sharpness)
        for f in self.features:
            off = (DEGREES + self.turn_deg - f.centre_deg + 180) % 360 - 180
            width = np.where(off < 0, f.width_deg * f.skew, f.width_deg)
            radius *= 1 + f.height * min(size, 1.2) ** f.onset * np.exp(-0.5 * (off / width) ** 2)
        radius *= 1 + _bend(self.waves, angle)
        knob = self.knob * size ** (KNOB_LEAD - 1) * (1 + _bend(self.knob_waves, angle))
        radius = (radius**KNOB_JOINT + knob**KNOB_JOINT) ** (1 / KNOB_JOINT)
        return np.asarray(radius * (size / radius[DIRECTIONS // 2]), np.float32)


def _bend(waves: tuple[Wave, ...], angle: Array) -> Array:
    return np.asarray(sum(w.height * np.cos(w.order * angle + w.phase) for w in waves))


def _waves(random: Random, orders: range, height: tuple[float, float]) -> tuple[Wave, ...]:
    """Waves whose height falls with their order."""
    most = random.uniform(*height)
    return tuple(Wave(n, most * random.normal() / np.sqrt(n), random.uniform(0, 2 * np.pi)) for n in orders)


def draw_outline(random: Random, family: str) -> Outline:
    """An outline of a family: fan, narrow, round, notched, spiny, lobed or straight."""
    outline = _round(random) if family == "round" else _fan(random, family)
    return replace(
        outline, turn_deg=_middle(replace(outline, features=tuple(f for f in outline.features if f.width_deg > 10)))
    )


def _middle(outline: Outline) -> float:
    """Direction, degrees, of the middle of the fan: where a reader lays the growth axis."""
    weight = outline.margin(1.0).astype(float) ** CENTRAL_POWER
    angle = np.deg2rad(DEGREES)
    return float(np.rad2deg(np.arctan2((weight * np.sin(angle)).sum(), (weight * np.cos(angle)).sum())))


def _fan(random: Random, family: str) -> Outline:
    opening = random.uniform(46, 66) if family == "narrow" else random.uniform(78, 112)
    middle = random.uniform(-4, 4)
    upper, lower = middle + opening / 2, middle - opening / 2
    edges = [
        Edge(normal_deg=upper + 90, distance=random.uniform(0.035, 0.085), lead=random.uniform(0.75, 1.3)),
        Edge(normal_deg=lower - 90, distance=random.uniform(0.035, 0.085), lead=random.uniform(0.75, 1.3)),
        Edge(
            normal_deg=180 + middle + random.uniform(-25, 25),
            distance=random.uniform(0.05, 0.10),
            lead=random.uniform(0.7, 1.1),
        ),
    ]
    if family == "straight":
        edges.append(
            Edge(normal_deg=random.uniform(-16, 16), distance=random.uniform(0.84, 0.95), lead=random.uniform(0.9, 1.1))
        )
        if random.random() < 0.5:
            edges.append(
                Edge(
                    normal_deg=random.choice([-1, 1]) * random.uniform(35, 60),
                    distance=random.uniform(0.7, 0.9),
                    lead=1.0,
                )
            )
    if random.random() < 0.35:  # a bow in one of the edges: the corner is cut off
        edges.append(
            Edge(
                normal_deg=random.choice([upper + random.uniform(20, 45), lower - random.uniform(20, 45)]),
                distance=random.uniform(0.35, 0.6),
                lead=random.uniform(0.85, 1.2),
            )
        )
    features: list[Feature] = []
    if family == "notched":
        for _ in range(random.integers(1, 3)):
            features.append(
                Feature(
                    centre_deg=middle + random.choice([-1, 1]) * random.uniform(0.18, 0.36) * opening,
                    width_deg=random.uniform(3.5, 8),
                    height=-random.uniform(0.05, 0.15),
                    onset=random.uniform(0.8, 2.5),
                )
            )
    if family in ("notched", "spiny"):
        corner = random.choice([upper - 4, lower + 4])
        for k in range(1 if family == "notched" else random.integers(1, 4)):
            step = -np.sign(corner - middle) * k * random.uniform(9, 14)
            features.append(
                Feature(
                    centre_deg=corner + step,
                    width_deg=random.uniform(2.4, 5),
                    height=random.uniform(0.06, 0.20),
                    onset=random.uniform(0.8, 2.0),
                    skew=random.uniform(0.6, 1.8),
                )
            )
    if family == "lobed":
        for side in (-1, 1):
            features.append(
                Feature(
                    centre_deg=middle + side * random.uniform(0.2, 0.42) * opening,
                    width_deg=random.uniform(11, 20),
                    height=random.uniform(-0.10, 0.16),
                    onset=random.uniform(0.5, 1.5),
                )
            )
    return Outline(
        family=family,
        edges=tuple(edges),
        eccentricity=random.uniform(-0.08, 0.30),
        young_eccentricity=random.uniform(-0.08, 0.22),
        tilt_deg=random.uniform(-40, 40),
        sharpness=random.uniform(6, 15),
        knob=random.uniform(*KNOB_RADIUS),
        knob_waves=_waves(random, KNOB_ORDERS, KNOB_BEND),
        waves=_waves(random, BEND_ORDERS, BEND),
        features=tuple(features),
        half_angle_deg=opening / 2,
    )


def _round(random: Random) -> Outline:
    """Rounded: growth goes on at all sides, and marks close around the focus on three of them or on all four."""
    edges = [
        Edge(
            normal_deg=180 + random.uniform(-30, 30), distance=random.uniform(0.14, 0.36), lead=random.uniform(0.8, 1.2)
        )
    ]
    if random.random() < 0.7:
        edges.append(
            Edge(
                normal_deg=random.choice([-1, 1]) * random.uniform(75, 110),
                distance=random.uniform(0.3, 0.6),
                lead=random.uniform(0.8, 1.25),
            )
        )
    return Outline(
        family="round",
        edges=tuple(edges),
        eccentricity=random.uniform(0.30, 0.58),
        young_eccentricity=random.uniform(0.25, 0.5),
        tilt_deg=random.uniform(-15, 15),
        sharpness=random.uniform(4, 9),
        knob=random.uniform(*KNOB_RADIUS),
        knob_waves=_waves(random, KNOB_ORDERS, KNOB_BEND),
        waves=_waves(random, BEND_ORDERS, BEND),
        half_angle_deg=random.uniform(75, 130),
    )

"""Fans: an arc within straight edges, at every size."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.records import Float
from pipeline.simulate.place import AXIS, DEGREES


@dataclass(frozen=True, slots=True, kw_only=True)
class Fan:
    """An arc within straight edges. Lengths are shares of the growth axis."""

    family: str
    edges: tuple[tuple[float, float], ...]
    """Direction of the perpendicular from the focus, degrees, and distance of each straight edge."""
    lead: float
    """Power of the size with which the edges move out: 1 for scaled copies; near 0 marks end at the edges."""
    sharpness: float
    """Of the corners between arc and edges."""
    bulge: float
    """Distance of the arc's centre ahead of the focus: above 0 for bulging arcs, below 0 for flat ones."""
    aside_deg: float
    half_angle_deg: float

    def margin(self, size: float, ahead: float = 0.0, aside: float = 0.0) -> Float:
        """Distance (DIRECTIONS,) from the focus when the growth axis is `size` long; `ahead` and `aside`: how far the
        arc's centre has wandered, as shares of the size."""
        angle = np.deg2rad(DEGREES.astype(float))
        x = (self.bulge + ahead) * size
        y = x * np.tan(np.deg2rad(self.aside_deg)) + aside * size
        along = x * np.cos(angle) + y * np.sin(angle)
        away = np.maximum((size - x) ** 2 - x**2 + along**2, 1e-6)
        nearness = np.maximum(along + np.sqrt(away), 1e-3) ** (-self.sharpness)
        for normal, distance in self.edges:
            lean = np.maximum(np.cos(angle - np.deg2rad(normal)), 0) / (distance * size**self.lead)
            nearness += lean**self.sharpness
        curve = nearness ** (-1 / self.sharpness)
        return np.asarray(curve * size / curve[AXIS], np.float32)

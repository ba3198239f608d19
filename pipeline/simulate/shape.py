"""Margins at every size, from two curves about the focus: how a young bone is shaped, and how an old one is.

Curves are arrays (DIRECTIONS,) of distances from the focus in which the growth axis is 1 long, see `place`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d

from pipeline.records import Float
from pipeline.simulate.noise import Array
from pipeline.simulate.place import AXIS, DEGREES, PER_DEGREE

CENTRAL_POWER = 3  # weight of a direction, as a power of the radius, when the middle of the fan is sought


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One bone's margin at every size."""

    family: str
    adult: Float
    young: Float
    onset: float
    """Power of the size with which the adult shape comes in."""
    half_angle_deg: float
    """Half of the fan's opening; 180 when the bone surrounds its focus."""

    def margin(self, size: float) -> Float:
        """Distance (DIRECTIONS,) from the focus for a bone whose growth axis is `size` long."""
        still_young = 1 - min(size, 1.5) ** self.onset
        return np.asarray(size * self.adult * (self.young / self.adult) ** still_young, np.float32)


def through(degrees: Array, radii: Array, smooth_deg: float) -> Float:
    """A closed curve (DIRECTIONS,) through points given by ascending degrees from -180 to 180 and by radius, its
    corners rounded over some degrees."""
    around = np.concatenate([degrees - 360, degrees, degrees + 360])
    curve = np.exp(PchipInterpolator(around, np.log(np.tile(radii, 3)))(DEGREES))
    return np.asarray(gaussian_filter1d(curve, smooth_deg * PER_DEGREE, mode="wrap"), np.float32)


def middle_deg(curve: Array) -> float:
    """Direction of the middle of the fan, where a reader lays the growth axis."""
    weight = curve.astype(float) ** CENTRAL_POWER
    angle = np.deg2rad(DEGREES)
    return float(np.rad2deg(np.arctan2((weight * np.sin(angle)).sum(), (weight * np.cos(angle)).sum())))


def turned(curve: Array, degrees: float) -> Float:
    """The curve with the given direction as growth axis, which is made 1 long."""
    moved = np.roll(curve, -round(degrees * PER_DEGREE))
    return np.asarray(moved / moved[AXIS], np.float32)

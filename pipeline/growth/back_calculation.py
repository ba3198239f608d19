"""Lengths at earlier ages from the annuli of one bone, by the models in use.

Every model gives the length at capture at the margin. Radii enter as shares of the growth axis, r/R; models with a
relation between bone and body need the axis in millimetres as well. Formulas as Francis (1990) sorts them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.growth.body_bone import BodyBone
from pipeline.records import Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class Method:
    """One way to a length at an earlier age."""

    name: str
    """As in tables and settings."""
    title: str
    formula: str
    assumes: str
    """What it takes for true, in words."""
    by_relation: Callable[[float, Numbers, float, BodyBone], Numbers] | None
    """Lengths (mm) from length at capture (mm), shares r/R of the annuli, the axis R (mm) and the relation; None of
    direct proportion, which needs neither axis nor relation."""

    def lengths(
        self, length_mm: float, share: Numbers, radius_mm: float | None, relation: BodyBone | None
    ) -> Numbers | None:
        """Lengths (mm) at the annuli; None where the axis in mm or the relation is lacking."""
        if self.by_relation is None:
            return direct_proportion(length_mm, share)
        return None if relation is None or not radius_mm else self.by_relation(length_mm, share, radius_mm, relation)


def direct_proportion(length_mm: float, share: Numbers) -> Numbers:
    """L r/R (Dahl-Lea)."""
    return np.asarray(length_mm * share)


def fraser_lee(length_mm: float, share: Numbers, intercept_mm: float) -> Numbers:
    """a + (L - a) r/R, with a the length (mm) at which the bone begins."""
    return np.asarray(intercept_mm + (length_mm - intercept_mm) * share)


def body_proportional(length_mm: float, share: Numbers, radius_mm: float, intercept: float, slope: float) -> Numbers:
    """L (c + d r) / (c + d R), with mean length c + d R at an axis of R mm."""
    return np.asarray(length_mm * (intercept + slope * radius_mm * share) / (intercept + slope * radius_mm))


def scale_proportional(length_mm: float, share: Numbers, intercept: float, slope: float) -> Numbers:
    """-e/f + (L + e/f) r/R, with mean axis e + f L at a length of L mm."""
    return np.asarray(-intercept / slope + (length_mm + intercept / slope) * share)


def power_proportional(length_mm: float, share: Numbers, exponent: float) -> Numbers:
    """L (r/R)^v: body-proportional with L = u R^v; scale-proportional with R = w L^k and v = 1/k."""
    return np.asarray(length_mm * share**exponent)


METHODS = (
    Method(
        name="direct_proportion",
        title="direct proportion",
        formula="L r/R",
        assumes="bone and body grow in one and the same proportion, from zero",
        by_relation=None,
    ),
    Method(
        name="fraser_lee",
        title="Fraser-Lee",
        formula="a + (L - a) r/R",
        assumes="the bone begins at a body length a and grows in proportion to the body from then on",
        by_relation=lambda length, share, radius, relation: fraser_lee(length, share, relation.fraser_lee_mm),
    ),
    Method(
        name="body_proportional_linear",
        title="body-proportional, linear",
        formula="L (c + d r)/(c + d R)",
        assumes="a fish that is longer than others of its bone size was so all its life; mean length c + d R",
        by_relation=lambda length, share, radius, relation: body_proportional(
            length, share, radius, relation.length_on_radius.intercept, relation.length_on_radius.slope
        ),
    ),
    Method(
        name="scale_proportional_linear",
        title="scale-proportional, linear",
        formula="-e/f + (L + e/f) r/R",
        assumes="a bone that is larger than others of its body length was so all its life; mean axis e + f L",
        by_relation=lambda length, share, radius, relation: scale_proportional(
            length, share, relation.radius_on_length.intercept, relation.radius_on_length.slope
        ),
    ),
    Method(
        name="body_proportional_power",
        title="body-proportional, power",
        formula="L (r/R)^v",
        assumes="as body-proportional, with mean length u R^v",
        by_relation=lambda length, share, radius, relation: power_proportional(
            length, share, relation.log_length_on_log_radius.slope
        ),
    ),
    Method(
        name="scale_proportional_power",
        title="scale-proportional, power",
        formula="L (r/R)^(1/k)",
        assumes="as scale-proportional, with mean axis w L^k",
        by_relation=lambda length, share, radius, relation: power_proportional(
            length, share, 1 / relation.log_radius_on_log_length.slope
        ),
    ),
)

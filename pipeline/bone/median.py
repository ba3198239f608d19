"""The median of many numbers, without the care for missing values that costs more than the median."""

from __future__ import annotations

import math

import numpy as np

from pipeline.records import Float


def median(values: Float) -> float:
    """The middle one of all values, of an even number the lower of the two; not a number when there are none."""
    if not values.size:
        return math.nan
    middle = (values.size - 1) // 2
    return float(np.partition(values, middle, axis=None)[middle])

"""Is a curve that knows the ageing error nearer to the truth than one that takes ages as given?

    python -m tests.studies.ageing_error [--simulations 100]

Fish are drawn with known growth and mortality and aged with a known error; the same study is made of ages as given, by
each fish's probabilities and by the error matrix. Off: mean distance (mm) of the curve from the true one over ages 1 to
10; the same for k, and for yearly survival.
"""

from __future__ import annotations

import sys
from collections import defaultdict

import numpy as np

from pipeline.fish_records import Fish
from pipeline.growth.ageing_error import AS_GIVEN, MATRIX, PROBABILITIES, under_ages, ways_to_take_ages
from pipeline.growth.ages import ReadingError
from pipeline.growth.curve_fit import CurveDemands
from pipeline.growth.curves import VON_BERTALANFFY
from tests.studies.asked import numbers

TRUTH = np.array([600.0, 0.25, -0.4])
DIES = 0.35
AGES = np.arange(1, 15)
ERRORS = {"few, even": (0.08, 0.08), "many, even": (0.15, 0.15), "many, too low": (0.25, 0.03)}
"""Share counted one too low and one too high."""
SCATTER = {"normal": 0.0, "by length": 1.0}
"""Lengths scatter by 35 mm at every age, or by 8 % of the length: the curve takes the first for true."""


def matrix(low: float, high: float) -> np.ndarray:
    p = np.zeros((AGES.size, AGES.size))
    for i in range(AGES.size):
        for step, chance in ((-1, low), (0, 1 - low - high), (1, high)):
            p[i, min(max(i + step, 0), AGES.size - 1)] += chance
    return p


def drawn(random: np.random.Generator, n: int, p: np.ndarray, by_length: bool) -> list[Fish]:
    """Fish with the age that was read, and how probable each age is to one who knows the error and the catch."""
    share = np.exp(-DIES * AGES) / np.exp(-DIES * AGES).sum()
    age = random.choice(AGES, n, p=share)
    mean = VON_BERTALANFFY.length(age.astype(float), TRUTH)
    length = mean * random.lognormal(0, 0.08, n) if by_length else mean + random.normal(0, 35, n)
    read = np.array([random.choice(AGES, p=p[a - 1]) for a in age])
    out = []
    for i, (r, x) in enumerate(zip(read, length, strict=True)):
        joint = share * p[:, r - 1]
        joint = joint / joint.sum()
        probable = tuple((int(a), float(q)) for a, q in zip(AGES, joint, strict=True) if q > 0)
        out.append(
            Fish(
                fish=str(i),
                species="walleye",
                water="a",
                age_class=int(r),
                length_mm=max(float(x), 20.0),
                age_probabilities=probable,
                counted_by="machine",
            )
        )
    return out


def main(simulations: int, fish: int, seed: int) -> int:
    random = np.random.default_rng(seed)
    limits, years = CurveDemands(least_fish=10, draws=1, seed=1), np.arange(1.0, 11.0)
    true = VON_BERTALANFFY.length(years, TRUTH)
    fine = True
    print(f"{'error':16}{'scatter':12}{'ages':30}{'curve off, mm':>14}{'k off':>8}{'survival off':>14}")
    for error, (low, high) in ERRORS.items():
        p = matrix(low, high)
        for scatter, kind in SCATTER.items():
            off = defaultdict(list)
            for _ in range(simulations):
                aged = drawn(random, fish, p, bool(kind))
                ways = ways_to_take_ages(aged, ReadingError(ages=AGES, counts=AGES, probability=p))
                for name, ages in ways.items():
                    u = under_ages(name, ages, aged, limits, 1, lambda: None)
                    if u.curve.refused or u.mortality.survival.value is None:
                        continue
                    found = u.curve.values()
                    off[name].append(
                        (
                            np.abs(VON_BERTALANFFY.length(years, found) - true).mean(),
                            abs(found[1] - TRUTH[1]),
                            abs(u.mortality.survival.value - np.exp(-DIES)),
                        )
                    )
            mean = {name: np.mean(rows, axis=0) for name, rows in off.items()}
            for name in (AS_GIVEN, PROBABILITIES, MATRIX):
                curve, k, survival = mean[name]
                print(f"{error:16}{scatter:12}{name:30}{curve:14.1f}{k:8.3f}{survival:14.3f}")
            fine &= bool(mean[PROBABILITIES][0] < mean[AS_GIVEN][0] and mean[MATRIX][0] < mean[AS_GIVEN][0])
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main(**numbers(__doc__, simulations=100, fish=300, seed=1)))

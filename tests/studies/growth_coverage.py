"""Do the 95 % intervals of growth, maturity, mortality and keys hold the truth as often as they say?

    python -m tests.studies.growth_coverage [--simulations 300]

Fish are drawn with known growth, maturity and mortality; ages are right. Exit status 1 when an interval holds the truth
in fewer than 92 or more than 98 of a hundred, beyond what chance allows in so many simulations.
"""

from __future__ import annotations

import sys
from collections import defaultdict

import numpy as np

from pipeline.fish_records import Fish
from pipeline.growth.age_length_key import age_length_key, ages_of_lengths
from pipeline.growth.ages import as_given
from pipeline.growth.curve_fit import CurveDemands, curve_fit
from pipeline.growth.curves import VON_BERTALANFFY
from pipeline.growth.maturity import maturity
from pipeline.growth.mortality import catch_curve
from tests.studies.asked import numbers

LINF, K, T0 = 600.0, 0.25, -0.4
A50, SLOPE = 3.6, 1.6
DIES = 0.35
"""Total mortality, 1/year."""
SCATTER = 0.07
"""Standard deviation of the logarithm of lengths about the curve, which is their mean."""
SIZES = (80, 300)
LEAST, MOST = 0.92, 0.98


def drawn(random: np.random.Generator, n: int) -> list[Fish]:
    """Fish caught from age 2 on, each age as it survives."""
    age = np.minimum(random.geometric(1 - np.exp(-DIES), n) + 1, 20)
    length = LINF * (1 - np.exp(-K * (age - T0))) * random.lognormal(-(SCATTER**2) / 2, SCATTER, n)
    mature = random.random(n) < 1 / (1 + np.exp(-SLOPE * (age - A50)))
    return [
        Fish(
            fish=str(i),
            species="walleye",
            water="a",
            age_class=int(a),
            length_mm=float(x),
            maturity="mature" if m else "immature",
        )
        for i, (a, x, m) in enumerate(zip(age, length, mature, strict=True))
    ]


def one(random: np.random.Generator, n: int, draws: int, hits: dict[str, list[bool]]) -> None:
    fish = drawn(random, n)
    age = np.array([f.age_class for f in fish], float)
    length = np.array([f.length_mm for f in fish], float)
    curve = curve_fit(VON_BERTALANFFY, length, as_given(fish), CurveDemands(least_fish=10, draws=draws, seed=1))
    if not curve.refused:
        for (name, e), truth in zip(curve.parameters.items(), (LINF, K, T0), strict=True):
            low, high = (-np.inf if e.low is None else e.low), (np.inf if e.high is None else e.high)
            hits[name].append(low <= truth <= high)
        grid, _, low, high = np.array(curve.band).T
        at = int(np.abs(grid - 4).argmin())
        hits["length at 4"].append(low[at] <= LINF * (1 - np.exp(-K * (grid[at] - T0))) <= high[at])
    found = maturity("age", age, np.array([f.maturity == "mature" for f in fish], float))
    if found.half.low is not None and found.half.high is not None:
        hits["A50"].append(found.half.low <= A50 <= found.half.high)
    ages = np.arange(int(age.min()), int(age.max()) + 1)
    dead = catch_curve(ages, np.bincount(age.astype(int))[ages[0] :].astype(float), 0)
    if not dead.refused and dead.z.low is not None and dead.z.high is not None:
        hits["Z"].append(dead.z.low <= DIES <= dead.z.high)
    # A third of the fish aged, all measured.
    key = age_length_key("walleye", "a", fish[: n // 3], 40)
    rows = key.bin_of(length)
    measured = np.bincount(rows[(rows >= 0) & (rows < key.aged.shape[0])], minlength=key.aged.shape[0])
    for share in ages_of_lengths(key, measured).shares:
        if share.age_class == 3 and share.proportion.low is not None and share.proportion.high is not None:
            truth = (1 - np.exp(-DIES)) * np.exp(-DIES)
            hits["share of age 3 by the key"].append(share.proportion.low <= truth <= share.proportion.high)


def main(simulations: int, draws: int, seed: int) -> int:
    random = np.random.default_rng(seed)
    fine = True
    print(f"{'figure':28}" + "".join(f"{f'n {n}':>16}" for n in SIZES))
    table: dict[str, list[str]] = defaultdict(list)
    for n in SIZES:
        hits: dict[str, list[bool]] = defaultdict(list)
        for _ in range(simulations):
            one(random, n, draws, hits)
        for name, held in hits.items():
            share, chance = np.mean(held), 2 * np.sqrt(0.95 * 0.05 / len(held))
            good = LEAST - chance <= share <= MOST + chance
            fine &= bool(good)
            table[name].append(f"{share:.3f} of {len(held)}{'' if good else ' !'}")
    for name, cells in table.items():
        print(f"{name:28}" + "".join(f"{cell:>16}" for cell in cells))
    return 0 if fine else 1


if __name__ == "__main__":
    sys.exit(main(**numbers(__doc__, simulations=300, draws=300, seed=1)))

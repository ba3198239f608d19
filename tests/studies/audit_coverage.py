"""How often the audit's intervals hold the truth, and how often its tests raise a false alarm.

    python -m tests.studies.audit_coverage [--simulations 2000] [--seed 1]

Not in CI: some minutes. Bones of known age are drawn over a stated grid; two readers count them with known error, so
the true value of every figure is worked out from the probabilities, not estimated. Prints a row for each figure; exit
status 1 when a claim fails: mean coverage of an interval from 93 to 97 % (exact ones may exceed) and none under 90 %,
and the size of each 5 % test, over the grid, at most 5 % plus three standard errors.
"""

from __future__ import annotations

import sys
from collections import defaultdict
from collections.abc import Callable
from itertools import product

import numpy as np
import pandas as pd

from pipeline.audit.bias import age_bias
from pipeline.audit.comparison import compare
from pipeline.audit.drift import drift
from pipeline.audit.intervals import weighted_share
from pipeline.audit.people import among_people
from pipeline.audit.precision import spread_of_each
from pipeline.audit.triage_check import check_triage
from pipeline.estimate import Estimate
from tests.studies.asked import numbers

BONES = (50, 100, 200, 500)
ERROR = (0.03, 0.08, 0.18)  # chance to miscount a fish of middle age; two such readers agree on about 94, 85 and 69 %
BIAS = (0.0, 0.5, -0.5)  # of the miscounts of the second reader, share up less share down
AGES = {"young": 0.80 ** np.arange(12), "even": np.ones(12)}  # of ages 1..12
COUNTS = np.arange(0, 16)
FEWEST_AT_AN_AGE = 10  # bones; the table's intervals for fewer are hardly ever given, or too wide to mislead
EXACT = {
    "exact",
    "within 1",
    "weighted share",
    "wrong less promised",
}  # exact intervals: they may hold the truth more often than 95 %


def reader(error: float, bias: float) -> np.ndarray:
    """(age 1..12, count): probability of each count. Errors grow with age; one in eight is of two years."""
    table = np.zeros((12, COUNTS.size))
    for i, age in enumerate(range(1, 13)):
        wrong = min(0.9, error * (0.4 + 0.1 * age))
        table[i, age] += 1 - wrong
        for step, size in ((1, 0.875), (2, 0.125)):
            table[i, age + step] += wrong * size * (1 + bias) / 2
            table[i, max(0, age - step)] += wrong * size * (1 - bias) / 2
    return table


def joint(ages: np.ndarray, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """(count of a, count of b): probability."""
    return np.einsum("t,ta,tb->ab", ages / ages.sum(), one, other)


def truths(p: np.ndarray) -> dict[str, float]:
    a, b = (x.ravel().astype(float) for x in np.meshgrid(COUNTS, COUNTS, indexing="ij"))
    ape, cv, d = spread_of_each(np.column_stack([a, b]))
    w = p.ravel()
    return {
        "exact": w @ (a == b),
        "within 1": w @ (abs(a - b) <= 1),
        "APE": w @ ape,
        "CV": w @ cv,
        "D": w @ d,
        "mean difference": w @ (b - a),
    }


class Tally:
    """Hits by figure and cell of the grid."""

    def __init__(self) -> None:
        self.hits: dict[str, dict[object, list[bool]]] = defaultdict(lambda: defaultdict(list))

    def interval(self, figure: str, cell: object, e: Estimate, truth: float) -> None:
        if e.low is not None and e.high is not None:
            self.hits[figure][cell].append(e.low - 1e-9 <= truth <= e.high + 1e-9)

    def test(self, figure: str, cell: object, p: float | None) -> None:
        # A test that cannot be made raises no alarm.
        self.hits[figure][cell].append(p is not None and p < 0.05)


def pairs(intervals: Tally, tests: Tally, simulations: int, rng: np.random.Generator) -> None:
    """Two readers of like error, the second with or without bias. Without, the table is symmetric in truth."""
    for n, error, bias, (name, ages) in product(BONES, ERROR, BIAS, AGES.items()):
        p = joint(ages, reader(error, 0.0), reader(error, bias))
        truth, cell, every = truths(p), (n, error, bias, name), np.ones(n, bool)
        mean_at = (p @ COUNTS) / np.where(p.sum(axis=1) > 0, p.sum(axis=1), 1)
        drawn = rng.choice(p.size, size=(simulations, n), p=p.ravel())
        for row in drawn:
            a, b = (x.astype(float) for x in np.divmod(row, COUNTS.size))
            c = compare("a", "b", a, b, every, every)
            for figure, e in (
                ("exact", c.precision.exact),
                ("within 1", c.precision.within_1),
                ("APE", c.precision.ape),
                ("CV", c.precision.cv),
                ("D", c.precision.d),
                ("mean difference", c.mean_difference),
            ):
                intervals.interval(figure, cell, e, truth[figure])
            if bias == 0:
                for figure, t in (
                    ("Bowker", c.bowker),
                    ("Evans and Hoenig", c.evans_hoenig),
                    ("pooled", c.pooled),
                    ("equal margins", c.stuart_maxwell),
                ):
                    tests.test(figure, cell, t.p)
        for row in drawn[: simulations // 4]:  # many ages a sample
            a, b = (x.astype(float) for x in np.divmod(row, COUNTS.size))
            for at in age_bias(a, b):
                if at.n >= FEWEST_AT_AN_AGE:
                    intervals.interval("mean at an age", (error, bias, name), at.mean, mean_at[at.reference_age])


def promised(intervals: Tally, simulations: int, rng: np.random.Generator) -> None:
    """A calibrated machine: the share wrong less the share promised is nought."""
    for n, error in product(BONES, (0.01, 0.05, 0.15)):
        for _ in range(simulations):
            confidence = 1 - error * rng.uniform(0.1, 1.9, n)
            wrong = (rng.random(n) > confidence).astype(float)
            kept = check_triage(confidence, np.zeros(n, bool), wrong, np.zeros(n)).parts[0]
            intervals.interval("wrong less promised", (n, error), kept.gap, 0.0)


def ages_apart(tests: Tally, simulations: int, rng: np.random.Generator) -> None:
    """The reference is the truth, the reader unbiased at every age: an age that leaves equality is a false alarm."""
    for n, error, (name, ages) in product(BONES, ERROR, AGES.items()):
        unbiased = reader(error, 0.0)[1:]  # age 1 cannot be missed by two downwards, so it is no case of no bias
        weight = ages[1:] / ages[1:].sum()
        p = (weight[:, None] * unbiased).ravel()
        for row in rng.choice(p.size, size=(simulations, n), p=p):
            a, b = (x.astype(float) for x in np.divmod(row, COUNTS.size))
            rows = age_bias(a + 2, b)
            tests.test(
                "any age leaves equality, adjusted",
                (n, error, name),
                min((r.p_adjusted for r in rows if r.p_adjusted is not None), default=None),
            )


def beside_people(intervals: Tally, simulations: int, rng: np.random.Generator) -> None:
    """Three people and a machine, all alike: the true difference of agreement is nought."""
    for n, error, (name, ages) in product(BONES, ERROR, AGES.items()):
        table = reader(error, 0.0).cumsum(axis=1)
        for _ in range(simulations // 2):
            t = rng.choice(12, size=n, p=ages / ages.sum())
            counts = (rng.random((n, 4, 1)) > table[t][:, None, :]).sum(axis=2).astype(float)
            found = among_people(counts[:, :3], counts[:, 3])
            intervals.interval("machine beside people", (n, error, name), found.difference, 0.0)


def weighted(intervals: Tally, simulations: int, rng: np.random.Generator) -> None:
    """Kept and reviewed bones, read in different shares, errors more common in one: the share wrong over both."""
    for n, wrong, read in product((100, 300), (0.02, 0.10), (0.2, 0.5)):
        reviewed = np.arange(n) < n // 4
        chance, drawn = np.where(reviewed, 3 * wrong, wrong), np.where(reviewed, 1.0, read)
        for _ in range(simulations):
            seen = rng.random(n) < drawn
            share = {f: (reviewed == f).sum() / max(1, (seen & (reviewed == f)).sum()) for f in (True, False)}
            weight = np.where(reviewed, share[True], share[False])[seen]
            e = weighted_share((rng.random(n) < chance)[seen].astype(float), weight)
            intervals.interval("weighted share", (n, wrong, read), e, float(chance.mean()))


def steady(alarms: Tally, simulations: int, rng: np.random.Generator) -> None:
    """A reader who does not change, five batches of twenty and of a hundred: how often the stop rule calls."""
    for n, error in product((20, 100), ERROR):
        table = reader(error, 0.0).cumsum(axis=1)
        for _ in range(simulations // 10):
            t = rng.choice(12, size=n, p=np.full(12, 1 / 12))
            counts = (rng.random((5, n, 1)) > table[t][None]).sum(axis=2)
            names = np.array([f"b{i}" for i in range(n)], object)
            every = pd.DataFrame(
                {
                    "specimen": np.tile(names, 5),
                    "reader": "machine",
                    "annuli": counts.ravel().astype(float),
                    "batch": np.repeat([f"run {i}" for i in range(5)], n),
                    "nth": np.repeat(range(5), n),
                }
            )
            for batch in drift(every, pd.Series(t + 1.0, index=names))[1:]:
                alarms.hits["stop rule, a batch"][(n, error)].append(batch.verdict == "stop")


def report(tally: Tally, title: str, passes: Callable[[str, list[float], int], bool]) -> bool:
    print(f"\n{title}\n{'figure':36}{'mean':>8}{'lowest':>8}{'highest':>9}{'cells':>7}{'trials':>9}")
    fine = True
    for figure, cells in tally.hits.items():
        shares = [float(np.mean(hits)) for hits in cells.values()]
        trials = min(len(hits) for hits in cells.values())
        good = passes(figure, shares, trials)
        fine &= good
        print(
            f"{figure:36}{np.mean(shares):8.3f}{min(shares):8.3f}{max(shares):9.3f}{len(shares):7}{trials:9}"
            f"{'' if good else '  FAILS'}"
        )
    return fine


def main(simulations: int, seed: int) -> int:
    rng = np.random.default_rng(seed)
    intervals, tests, alarms = Tally(), Tally(), Tally()
    pairs(intervals, tests, simulations, rng)
    beside_people(intervals, simulations, rng)
    weighted(intervals, simulations, rng)
    promised(intervals, simulations, rng)
    ages_apart(tests, simulations, rng)
    steady(alarms, simulations, rng)
    held = report(
        intervals,
        "Share of 95 % intervals that hold the truth",
        lambda f, s, _: min(s) >= 0.90 and np.mean(s) >= 0.93 and (f in EXACT or np.mean(s) <= 0.97),
    )
    small = report(
        tests, "False alarms of 5 % tests", lambda _, s, trials: np.mean(s) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / trials)
    )
    report(alarms, "False alarms of the stop rule", lambda *_: True)
    return 0 if held and small else 1


if __name__ == "__main__":
    sys.exit(main(**numbers(__doc__, simulations=2000, seed=1)))

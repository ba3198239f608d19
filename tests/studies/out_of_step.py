"""Do good and poor years find counts that are one off, and how often do they accuse a right one?

    python -m tests.studies.out_of_step [--waters 20] [--fish 120] [--gain 2.3]

Fish are drawn whose increments shrink with age, differ between fish, and follow the good and poor years of their
water. Some bones are then miscounted by one: the last annulus missed at the margin, the first one missed in the thick
base, one missed in between, or a check counted. Miscounts that leave so uneven an increment that any reader would see
it are not drawn. All are asked as a run would ask them.
"""

from __future__ import annotations

import sys
from collections import defaultdict

import numpy as np

from pipeline.fish_records import Fish, FishMarks
from pipeline.growth.increments import histories
from pipeline.growth.suspects import LEAST_GAIN, best_fits
from pipeline.growth.year_effects import chronology
from pipeline.records import Captured
from tests.studies.asked import numbers

YEAR_EFFECTS = (0.1, 0.2, 0.3)
NOISE = (0.15, 0.2, 0.25, 0.3)
"""Standard deviation of the logarithm of an increment about all that is known of it."""
MISCOUNTED = 0.2
KINDS = {"last missed": 0.4, "first missed": 0.3, "one missed between": 0.15, "check counted": 0.15}
"""Shares of the miscounts: those of the machine on drawn bones lie for the most part at the margin and in the base."""
AGES = (4, 13)
FIRST_YEAR = 2005
BETWEEN = 0.12
"""Standard deviation of the logarithm of growth between fish."""
FALSE_ALARMS = 0.02
FOUND = 0.4
"""What it takes for the years to be a reason to look at a bone: so many found at so many falsely accused."""


STEP, FIRST_MM = -0.22, 160.0
"""Logarithm by which increments shrink each year, and the first of them."""
MOST_UNEVEN = 0.75
"""Logarithm by which an increment of a miscounted bone may leave what its others let expect."""


def one_water(random: np.random.Generator, fish: int, effect: float, noise: float) -> tuple[list[Fish], dict[str, str]]:
    """Fish as counted, and what is wrong with which."""
    years = random.normal(0, effect, 40)
    out, wrong = [], {}
    for i in range(fish):
        age, caught = int(random.integers(*AGES)), int(random.integers(2018, 2022))
        life = np.arange(age + 1)
        of_years = years[caught - age + life - FIRST_YEAR + 10]
        grew = FIRST_MM * np.exp(STEP * life + of_years + random.normal(0, BETWEEN) + random.normal(0, noise, age + 1))
        marks, length = np.cumsum(grew[:age]), float(grew[:age].sum() + grew[age] * random.uniform(0.05, 0.95))
        if random.random() < MISCOUNTED:
            kind, counted = miscounted(random, marks)
            if counted is not None:
                wrong[f"F{i}"], marks = kind, counted
        shares = FishMarks(specimen=f"F{i}", radius_mm=None, fractions=tuple((marks / length).tolist()))
        out.append(
            Fish(
                fish=f"F{i}",
                species="walleye",
                water="a",
                age_class=marks.size,
                length_mm=length,
                captured=Captured(year=caught),
                marks=shares,
            )
        )
    return out, wrong


def miscounted(random: np.random.Generator, marks: np.ndarray) -> tuple[str, np.ndarray | None]:
    """A kind of miscount and what is counted then; None when every such count would be plainly uneven."""
    kind = str(random.choice(list(KINDS), p=list(KINDS.values())))
    for _ in range(20):
        i = int(random.integers(1, marks.size - 1))
        if kind == "last missed":
            counted = marks[:-1]
        elif kind == "first missed":
            counted = marks[1:]
        elif kind == "one missed between":
            counted = np.delete(marks, i)
        else:
            counted = np.insert(marks, i, marks[i - 1] + (marks[i] - marks[i - 1]) * random.uniform(0.3, 0.7))
        rest = np.log(np.diff(counted, prepend=0.0)) - STEP * np.arange(counted.size)
        if np.abs(rest - np.median(rest)).max() <= MOST_UNEVEN:
            return kind, counted
    return kind, None


def main(waters: int, fish: int, gain: float, seed: int) -> int:
    random = np.random.default_rng(seed)
    met = []
    print(
        f"{'year effect':>11} {'noise':>6} {'found':>6} {'accused':>8} {'gain at 2 %':>12} {'found then':>11}   by kind"
    )
    for effect in YEAR_EFFECTS:
        for noise in NOISE:
            gains: dict[str, list[float]] = defaultdict(list)
            for _ in range(waters):
                grown_fish, wrong = one_water(random, fish, effect, noise)
                grown, _ = histories(grown_fish)
                for s in best_fits(grown, chronology("walleye", "a", grown)):
                    gains[wrong.get(s.grown.fish.fish, "right")].append(s.gain)
            right = np.array(gains["right"])
            off = np.concatenate([gains[kind] for kind in KINDS])
            at = max(float(np.quantile(right, 1 - FALSE_ALARMS)), 0.0)
            found, accused, then = np.mean(off >= gain), np.mean(right >= gain), np.mean(off > at)
            if effect == 0.2:
                met.append(found >= FOUND and accused <= FALSE_ALARMS)
            kinds = ", ".join(
                f"{kind} {np.mean(np.array(gains[kind]) >= gain):.2f} of {len(gains[kind])}" for kind in KINDS
            )
            print(f"{effect:11} {noise:11} {found:11.2f} {accused:11.3f} {at:11.2f} {then:11.2f}   {kinds}")
    print(f"four in ten found at two in a hundred accused, for 0.2: {['no', 'yes'][all(met)]} ({met})")
    return 0


if __name__ == "__main__":
    sys.exit(main(**numbers(__doc__, waters=20, fish=120, gain=LEAST_GAIN, seed=1)))

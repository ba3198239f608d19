"""Time of a growth study: 5,000 fish of one species in one water, with the draws of the shipped settings.

    python -m tests.benchmarks.growth [FISH]

The fish have sexes, annuli of ten years, and ages by the machine with probabilities, so that every part is at work.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from pipeline.commands.growth import choices_of
from pipeline.fish_records import Fish, FishMarks
from pipeline.growth.whole import draws, studied
from pipeline.records import Captured
from pipeline.settings.files import read_settings

LIMIT_SECONDS = 60
"""Of CPU: all of it is one process, so that on a machine with nothing else to do it takes as long by the clock."""


def fish(n: int) -> list[Fish]:
    """Walleye of 1 to 12 years with good and poor years."""
    random = np.random.default_rng(1)
    years = random.normal(0, 0.2, 40)
    out = []
    for i in range(n):
        age, caught = int(min(random.geometric(0.25), 12)), int(random.integers(2016, 2024))
        life = np.arange(age + 1)
        grew = 150 * np.exp(-0.22 * life + years[caught - age + life - 1995] + random.normal(0, 0.15, age + 1))
        marks, length = np.cumsum(grew[:age]), float(grew[:age].sum() + 0.5 * grew[age])
        out.append(
            Fish(
                fish=f"W{i}",
                species="walleye",
                water="Lake Orrin",
                age_class=age,
                age_probabilities=((age, 0.85), (age + 1, 0.15)),
                length_mm=length,
                weight_g=float(10 ** (-5.45 + 3.17 * np.log10(length)) * random.lognormal(0, 0.08)),
                sex="FM"[i % 2],
                maturity="mature" if random.random() < 1 / (1 + np.exp(-2 * (age - 3.5))) else "immature",
                captured=Captured(year=caught, month=9, day=10),
                counted_by="machine",
                marks=FishMarks(specimen=f"W{i}", radius_mm=length * 0.057, fractions=tuple((marks / length).tolist())),
            )
        )
    return out


def main(n: int = 5000) -> int:
    """Print the figures; 1 when it took longer than the limit."""
    given = fish(n)
    choices = {"walleye": choices_of(read_settings(), "walleye")}
    began, worked = time.monotonic(), time.process_time()
    study = studied(given, choices, None)
    took, worked = time.monotonic() - began, time.process_time() - worked
    groups = {g.sex: len(g.fish) for g in study.groups}
    (water,) = study.waters
    found = f"{len(water.chronology.years)} years, {len(water.suspects)} suspects"
    made = f"{draws(given, choices, None)} draws in groups {groups}"
    print(f"growth, {n} fish, {made}, {found}: {took:.1f} s, {worked:.1f} s of CPU")
    return int(worked > LIMIT_SECONDS)


if __name__ == "__main__":
    sys.exit(main(*(int(given) for given in sys.argv[1:])))

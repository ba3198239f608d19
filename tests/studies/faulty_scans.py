"""Do scans whose reading crashes, hangs or eats the memory touch others?

    python -m tests.studies.faulty_scans [--scans 100] [--faults 10]

Reads so many tiny stand-ins for scans, some of which do what they should not, and asks that every fault is refused with
its reason and every other scan read. Exit status 1 when not. Half a minute.
"""

from __future__ import annotations

import csv
import subprocess
import sys
import tempfile
from itertools import cycle, islice
from pathlib import Path

from tests.studies.asked import numbers

FAULTS = {"killed": "crashed", "exits": "crashed", "spins": "deadline", "sleeps": "deadline", "hogs": "memory"}
"""What a stand-in does (`tests/faults/faulty_work.py`), and the reason it must be refused with."""
AGE = Path(__file__).parents[1] / "faults" / "age_with_faults.py"
LIMITS = (
    "[batch]\ncpu_seconds = 2\ncpu_seconds_per_megapixel = 0\nwall_factor = 3\n"
    "memory_megabytes = 300\nmemory_megabytes_per_megapixel = 0\n"
)


def main(scans: int, faults: int) -> int:
    """Print what was read and what was refused."""
    wanted = {f"{kind}-{n}.png": FAULTS[kind] for n, kind in enumerate(islice(cycle(FAULTS), faults))}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "scans").mkdir()
        for name in [*wanted, *(f"good-{n}.png" for n in range(scans - faults))]:
            (folder / "scans" / name).write_bytes(name.encode())
        (folder / "limits.toml").write_text(LIMITS)
        run = subprocess.run(
            [sys.executable, str(AGE), str(folder / "scans"), str(folder / "run"), "2", str(folder / "limits.toml")],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        with (folder / "run" / "refused.csv").open(encoding="utf-8") as table:
            refused = {row["scan"]: row["reason"] for row in csv.DictReader(table)}
        with (folder / "run" / "ages.csv").open(encoding="utf-8") as table:
            read = sum(1 for _ in csv.DictReader(table))
    print(run.stdout, end="")
    right = sum(refused.get(name) == reason for name, reason in wanted.items())
    print(f"{read} read, {len(refused)} refused, {right} of {faults} with the right reason")
    fine = run.returncode == 0 and "Traceback" not in run.stderr and refused == wanted
    return int(not fine or read != scans - faults)


if __name__ == "__main__":
    sys.exit(main(**numbers(__doc__, scans=100, faults=10)))

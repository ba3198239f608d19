"""Do scans whose reading crashes, hangs or eats the memory touch others?

    python -m tests.studies.faulty_scans [--scans 100] [--faults 10]

Reads so many tiny stand-ins for scans, some of which do what they should not, and asks that every fault is refused with
its reason and every other scan read. Exit status 1 when not. Half a minute.
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import sys
import tempfile
from itertools import cycle, islice
from pathlib import Path

FAULTS = {"killed": "crashed", "exits": "crashed", "spins": "deadline", "sleeps": "deadline", "hogs": "memory"}
"""What a stand-in does (`tests/faults/faulty_work.py`), and the reason it must be refused with."""
AGE = Path(__file__).parents[1] / "faults" / "age_with_faults.py"
LIMITS = (
    "[batch]\ncpu_seconds = 2\ncpu_seconds_per_megapixel = 0\nwall_factor = 3\n"
    "memory_megabytes = 300\nmemory_megabytes_per_megapixel = 0\n"
)


def main() -> int:
    """Print what was read and what was refused."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--scans", type=int, default=100, help="(default: %(default)s)")
    options.add_argument("--faults", type=int, default=10, help="(default: %(default)s)")
    given = options.parse_args()
    wanted = {f"{kind}-{n}.png": FAULTS[kind] for n, kind in enumerate(islice(cycle(FAULTS), given.faults))}
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        (folder / "scans").mkdir()
        for name in [*wanted, *(f"good-{n}.png" for n in range(given.scans - given.faults))]:
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
    print(f"{read} read, {len(refused)} refused, {right} of {given.faults} with the right reason")
    fine = run.returncode == 0 and "Traceback" not in run.stderr and refused == wanted
    return int(not fine or read != given.scans - given.faults)


if __name__ == "__main__":
    sys.exit(main())

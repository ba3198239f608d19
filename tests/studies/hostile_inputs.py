"""Everything hostile that the command may be given, in one account: scans, tables and spoiled runs.

    python -m tests.studies.hostile_inputs [--files 500] [--tables 250] [--runs 80] [--seed 1]

Prints how many inputs were tried, read and refused with which reason, and what is wrong: tracebacks, silence, hangs of
over a minute, wrong reasons, anything changed that is not the command's own. Exit status 1 when there is any. Some
fifteen minutes on two cores; each part has a command of its own.
"""

from __future__ import annotations

import sys

from tests.studies import hostile_runs, hostile_scans, hostile_tables
from tests.studies.account import Account
from tests.studies.asked import numbers


def account(files: int, tables: int, runs: int, seed: int) -> Account:
    """Of so many of each."""
    parts = hostile_scans.account(files, seed), hostile_tables.account(tables, seed), hostile_runs.account(runs, seed)
    return sum(parts, start=Account())


if __name__ == "__main__":
    sys.exit(account(**numbers(__doc__, files=500, tables=250, runs=80, seed=1)).printed())

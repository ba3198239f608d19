"""Everything hostile that the command may be given, in one account: scans, tables and spoiled runs.

    python -m tests.studies.hostile_inputs [--files 500] [--tables 250] [--runs 80] [--seed 1]

Prints how many inputs were tried, read and refused with which reason, and what is wrong: tracebacks, silence, hangs of
over a minute, wrong reasons, anything changed that is not the command's own. Exit status 1 when there is any. Some
fifteen minutes on two cores; each part has a command of its own.
"""

from __future__ import annotations

import argparse
import sys

from tests.studies import hostile_runs, hostile_scans, hostile_tables


def main() -> int:
    """Print the account."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    for name, many in (("files", 500), ("tables", 250), ("runs", 80), ("seed", 1)):
        options.add_argument(f"--{name}", type=int, default=many, help="(default: %(default)s)")
    given = options.parse_args()
    scans = hostile_scans.account(given.files, given.seed)
    tables = hostile_tables.account(given.tables, given.seed)
    return (scans + tables + hostile_runs.account(given.runs, given.seed)).printed()


if __name__ == "__main__":
    sys.exit(main())

"""`opercle age` with the faulty stand-in for the reading of a scan: python age_with_faults.py SCANS OUT WORKERS
[SETTINGS]."""

from __future__ import annotations

import sys
from pathlib import Path

import faulty_work

from pipeline.commands.age import age
from pipeline.commands.asked import Request


def main() -> None:
    scans, out, workers, *settings = sys.argv[1:]
    request = Request(scans=(Path(scans),), out=Path(out), workers=int(workers), settings=tuple(settings))
    for line in age(request, lambda line: print(line, file=sys.stderr, flush=True), faulty_work.read).lines(out):
        print(line)


if __name__ == "__main__":
    main()

"""How far a long piece of work is, with the time left: a bar on a terminal, a line at intervals elsewhere."""

from __future__ import annotations

import sys
import time
from typing import Self

from tqdm import tqdm

from pipeline.batch.batch import spoken_seconds


class Steps:
    """So many things of one kind are to be done."""

    def __init__(self, total: int, what: str, report_seconds: float) -> None:
        """`what` names the things ("pictures drawn"); `report_seconds` is the time between two lines where there is no
        terminal."""
        self._total, self._what, self._every = total, what, report_seconds
        self._done = 0
        self._began = self._told = time.monotonic()
        self._bar = tqdm(total=total, desc=what, dynamic_ncols=True, file=sys.stderr) if sys.stderr.isatty() else None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.close()

    def step(self, number: int = 1) -> None:
        """So many more are done."""
        self._done += number
        now = time.monotonic()
        if self._bar is not None:
            self._bar.update(number)
        elif now - self._told >= self._every and self._done < self._total:
            self._told = now
            left = (now - self._began) / self._done * (self._total - self._done)
            line = f"{self._what} {self._done} of {self._total}, about {spoken_seconds(left)} left"
            print(line, file=sys.stderr, flush=True)

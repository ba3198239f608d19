"""What follows from answers (final ages, queue, report), made in the background so that no reader waits.

Answers that come while it is at work are followed up in one further round.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from pipeline.errors import OpercleError

QUIET_SECONDS = 1.0
"""Without a new answer before a round begins: a reader who types fast needs one round, not ten."""
LONGEST_WAIT_SECONDS = 10.0
"""After the first answer, however many follow."""
AGAIN_SECONDS = 20.0
"""After a round that could not be done, because `opercle age` is at work, for instance."""

Follow = Callable[[frozenset[str]], None]
"""Brings the run up to date; the scans given are read again first where a correction asks for it."""


class Follower:
    """Runs `follow` on a thread of its own, as often as there is something to follow."""

    def __init__(self, follow: Follow) -> None:
        self._follow = follow
        self._wake = threading.Condition()
        self._first = 0.0
        self._last = 0.0
        self._due = False
        self._scans: frozenset[str] = frozenset()
        self._at_work = False
        self._closing = False
        self._fault = ""
        self._thread = threading.Thread(target=self._run, name="follower", daemon=True)
        self._thread.start()

    def touch(self, scan: str = "") -> None:
        """Something was entered; `scan` is to be read again."""
        with self._wake:
            now = time.monotonic()
            if not self._due:
                self._first = now
            self._due, self._last = True, now
            if scan:
                self._scans |= {scan}
            self._wake.notify()

    @property
    def busy(self) -> bool:
        """Something has been entered that ages, queue and report do not show yet."""
        with self._wake:
            return self._due or self._at_work

    @property
    def fault(self) -> str:
        """Why the last round could not be done; blank when it was."""
        with self._wake:
            return self._fault

    def close(self) -> None:
        """Follow up what is due, once, and end."""
        with self._wake:
            self._closing = True
            self._wake.notify()
        self._thread.join()

    def _run(self) -> None:
        while True:
            with self._wake:
                while not self._ready():
                    if self._closing:
                        return
                    self._wake.wait(timeout=QUIET_SECONDS / 2 if self._due else None)
                scans, self._scans = self._scans, frozenset()
                self._due, self._at_work = False, True
            fault = self._round(scans)
            with self._wake:
                self._at_work, self._fault = False, fault
                if fault:
                    self._due, self._scans = not self._closing, self._scans | scans
                    self._first = self._last = time.monotonic() + AGAIN_SECONDS

    def _ready(self) -> bool:
        if not self._due:
            return False
        now = time.monotonic()
        return self._closing or now - self._last >= QUIET_SECONDS or now - self._first >= LONGEST_WAIT_SECONDS

    def _round(self, scans: frozenset[str]) -> str:
        try:
            self._follow(scans)
        except (OpercleError, OSError) as e:
            return str(e)
        except Exception as e:  # a fault of the program must not end the thread; the page shows it
            return f"a fault of this program ({type(e).__name__}: {e}); answers are kept all the same"
        return ""

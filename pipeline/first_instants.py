"""The first instants of the command: streams that are there and take any text, Ctrl-C in good order; then `cli`."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from types import FrameType

from pipeline.threads import ONE_THREAD

_PATIENCE_SECONDS = 5.0
"""After the first Ctrl-C the work in hand is dropped, which takes a second; so long a further one changes nothing."""


def run(stop: Callable[[], None]) -> None:
    """Run the command line; `stop` ends the process after Ctrl-C."""
    _have_streams()
    os.environ.update(ONE_THREAD)
    interrupt = _Interrupt(stop)
    sys.unraisablehook = interrupt.unraisable
    try:
        signal.signal(signal.SIGINT, interrupt)
        from pipeline.cli import main as command_line

        command_line()
    except KeyboardInterrupt:
        stop()
    except SystemExit as end:
        _leave(end.code if isinstance(end.code, int) else 0)
    _leave(0)


class _Interrupt:
    """What Ctrl-C does: the first one stops the work in hand, in order; only when that takes long, another ends it."""

    def __init__(self, stop: Callable[[], None]) -> None:
        self._stop = stop
        self._first: float | None = None

    def __call__(self, _signal: int, _frame: FrameType | None) -> None:
        if self._first is None:
            self._first = time.monotonic()
            raise KeyboardInterrupt
        if time.monotonic() - self._first > _PATIENCE_SECONDS:
            self._stop()

    def unraisable(self, fault: sys.UnraisableHookArgs) -> None:
        """An interrupt that came where Python cannot pass it on would be lost."""
        if isinstance(fault.exc_value, KeyboardInterrupt):
            self._stop()
        sys.__unraisablehook__(fault)


def _have_streams() -> None:
    """A stream that was closed would lend its number to the next file opened, and a library's word would go there."""
    for number in (0, 1, 2):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # takes the lowest number that is free
    sys.stdout = sys.stdout or os.fdopen(1, "w", encoding="utf-8", closefd=False)
    sys.stderr = sys.stderr or os.fdopen(2, "w", encoding="utf-8", closefd=False)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a terminal that knows ASCII only gets the rest spelt out


def _leave(status: int) -> None:
    """End; what nobody takes any more is dropped, and an interrupt no longer matters."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.unraisablehook = lambda _: None  # a library that tidies up late has nothing to say to the user
    for number, stream in ((1, sys.stdout), (2, sys.stderr)):
        try:
            stream.flush()
        except OSError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), number)
            status = status or 1
    sys.exit(status)

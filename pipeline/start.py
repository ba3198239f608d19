"""The first instants of the command: streams that are there and take any text, Ctrl-C from now on; then `cli`.

Nothing heavy is imported before that: an import takes long enough to be interrupted.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import time
from types import FrameType

from pipeline.threads import ONE_THREAD

INTERRUPTED = 130
"""Exit status after Ctrl-C, as shells have it: 128 and the signal's number."""
_PATIENCE_SECONDS = 5.0
"""After the first Ctrl-C the work in hand is dropped, which takes a second; so long a further one changes nothing."""


def main() -> None:
    """Run the command line."""
    _have_streams()
    os.environ.update(ONE_THREAD)
    interrupt = _Interrupt()
    signal.signal(signal.SIGINT, interrupt)
    sys.unraisablehook = interrupt.unraisable
    try:
        from pipeline.cli import main as command_line

        command_line()
    except KeyboardInterrupt:
        interrupt.end()
    except SystemExit as end:
        _leave(end.code if isinstance(end.code, int) else 0)
    _leave(0)


class _Interrupt:
    """What Ctrl-C does: the first one stops the work in hand, in order; only when that takes long, another ends it."""

    def __init__(self) -> None:
        self._first: float | None = None

    def __call__(self, _signal: int, _frame: FrameType | None) -> None:
        if self._first is None:
            self._first = time.monotonic()
            raise KeyboardInterrupt
        if time.monotonic() - self._first > _PATIENCE_SECONDS:
            self.end()

    def end(self) -> None:
        """At once, and without a word of Python's. Nothing that was read is lost: every file is whole at any moment."""
        _say("stopped; nothing that was finished is lost")
        os._exit(INTERRUPTED)

    def unraisable(self, fault: sys.UnraisableHookArgs) -> None:
        """An interrupt that came where Python cannot pass it on would be lost."""
        if isinstance(fault.exc_value, KeyboardInterrupt):
            self.end()
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


def _say(line: str) -> None:
    with contextlib.suppress(OSError):  # nobody may listen
        print(line, file=sys.stderr, flush=True)


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


if __name__ == "__main__":
    main()

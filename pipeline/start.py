"""The command begins here: from the first instant on Ctrl-C ends it with a line; all else is imported after that.

An import takes long enough to be interrupted, that of `signal` too; `_signal` and `os` are there from the start.
"""

from __future__ import annotations

import _signal  # type: ignore[import-not-found]
import os

INTERRUPTED = 130
"""Exit status after Ctrl-C, as shells have it: 128 and the signal's number."""


def main() -> None:
    """Run the command line."""
    _signal.signal(_signal.SIGINT, stop)
    from pipeline.first_instants import run

    run(stop)


def stop(*_: object) -> None:
    """End at once, without a word of Python's. Nothing that was read is lost: every file is whole at any moment."""
    try:  # noqa: SIM105  (contextlib would have to be imported first)
        os.write(2, b"stopped; nothing that was finished is lost\n")
    except OSError:  # nobody listens
        pass
    os._exit(INTERRUPTED)


if __name__ == "__main__":
    main()

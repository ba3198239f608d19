"""What can go wrong before or around the work: each error carries its exit status and says the cure."""

from __future__ import annotations

from collections.abc import Sequence

MOST_LINES = 20
"""Lines of one message: more are not read."""


class OpercleError(Exception):
    """The work could not be done. The message is one line: what was found, where, and the cure."""

    exit_status = 1


class SettingsError(OpercleError):
    """A settings file holds an unknown key or a wrong value."""


class TableError(OpercleError):
    """A table in cannot be used. `faults` lists every fault found, each with file, row and cure."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(_shortened(self.faults)))

    def __reduce__(self) -> tuple[type[TableError], tuple[tuple[str, ...]]]:
        return TableError, (self.faults,)  # raised in one process, read in another


def _shortened(lines: Sequence[str]) -> Sequence[str]:
    if len(lines) <= MOST_LINES:
        return lines
    rest = len(lines) - MOST_LINES + 1
    return [*lines[: MOST_LINES - 1], f"... and {rest} more faults: correct these first, the others are listed then"]


class RunError(OpercleError):
    """A run's folder or ledger cannot be used as asked."""


class Interrupted(OpercleError):  # noqa: N818  (the user's wish, not an error)
    """The user pressed Ctrl-C. The message says how far it was, and how to go on."""

    exit_status = 130


class ScanRefused(Exception):  # noqa: N818  (not an error of the program: an expected answer about one scan)
    """One scan cannot be used; the batch goes on.

    `code` is a refusal of `codes.REFUSALS`; `detail` says what was found, without times or absolute paths.
    """

    def __init__(self, code: str, detail: str) -> None:
        self.code = code
        self.detail = detail
        super().__init__(f"{code}: {detail}")

    def __reduce__(self) -> tuple[type[ScanRefused], tuple[str, str]]:
        return ScanRefused, (self.code, self.detail)  # raised in one process, read in another

"""A failure in one line that says what to do, and the exit status."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import OpercleError


def in_words(failure: Exception) -> tuple[str, int]:
    """What the user reads, and the exit status."""
    if isinstance(failure, OpercleError):
        return str(failure), failure.exit_status
    return _words(failure), 1


def _words(failure: Exception) -> str:
    match failure:
        case ImportError():
            return _missing_library(str(failure))
        case RecursionError():
            return "a settings file or a table nests groups too deeply to be read; write no group within another"
        case MemoryError():
            return "out of memory; close other programs, or give fewer --workers"
        case OSError():
            why = failure.strerror or failure
            return (
                f"{failure.filename or 'a file'}: {why}; nothing that was finished is lost, see to it and start again"
            )
        case _:  # a fault of the program: the place is what its makers need
            what = f"{type(failure).__name__}: {failure}"
            return f"a fault of this program ({what}) {_place(failure)}; please report this line"


def _missing_library(what: str) -> str:
    if "libGL" in what or "libgthread" in what or "libglib" in what:
        return f"a system library is missing ({what}); on Debian or Ubuntu: apt-get install libgl1 libglib2.0-0"
    return f"a part of the installation is missing ({what}); install opercle again"


def _place(failure: BaseException) -> str:
    trace = failure.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    return "" if trace is None else f"in {Path(trace.tb_frame.f_code.co_filename).name} line {trace.tb_lineno}"

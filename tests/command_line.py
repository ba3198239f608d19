"""`opercle` called in this process, for tests of the whole command."""

from __future__ import annotations

import io
import sys

from pipeline import cli


def called(*arguments: object) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of `opercle` with these arguments."""
    out, err = io.StringIO(), io.StringIO()
    kept = sys.argv, sys.stdout, sys.stderr
    sys.argv, sys.stdout, sys.stderr = ["opercle", *map(str, arguments)], out, err
    try:
        cli.main()
        status = 0
    except SystemExit as end:
        status = int(end.code or 0)
    finally:
        sys.argv, sys.stdout, sys.stderr = kept
    return status, out.getvalue(), err.getvalue()

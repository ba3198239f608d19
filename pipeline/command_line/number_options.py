"""Numbers given on the command line: what is wrong with one is said in plain words."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

import typer


def whole_number(least: int, most: int | None = None) -> Callable[[str], int]:
    """Reads a whole number within bounds, both of them allowed."""
    wanted = f"a whole number of at least {least}" if most is None else f"a whole number from {least} to {most}"

    def read(text: str) -> int:
        with contextlib.suppress(ValueError):
            number = int(text)
            if number >= least and (most is None or number <= most):
                return number
        raise typer.BadParameter(f"'{text}' is not {wanted}.")

    return read


def share(text: str) -> float:
    """Reads a share, from 0 to 1."""
    with contextlib.suppress(ValueError):
        number = float(text)
        if 0 <= number <= 1:
            return number
    raise typer.BadParameter(f"'{text}' is not a share from 0 to 1, as 0.02 for two in a hundred.")

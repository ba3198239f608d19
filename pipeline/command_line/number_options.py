"""Numbers given on the command line: what is wrong with one is said in plain words."""

from __future__ import annotations

from collections.abc import Callable

import typer


def whole_number(least: int, most: int | None = None) -> Callable[[str], int]:
    """Reads a whole number within bounds, both of them allowed."""
    wanted = f"a whole number of at least {least}" if most is None else f"a whole number from {least} to {most}"

    def read(text: str) -> int:
        try:
            number = int(text)
        except ValueError:
            number = least - 1
        if number < least or (most is not None and number > most):
            raise typer.BadParameter(f"'{text}' is not {wanted}.")
        return number

    return read


def share(text: str) -> float:
    """Reads a share, from 0 to 1."""
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if not 0 <= number <= 1:
        raise typer.BadParameter(f"'{text}' is not a share from 0 to 1, as 0.02 for two in a hundred.")
    return number

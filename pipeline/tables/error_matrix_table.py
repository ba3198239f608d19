"""The ageing error matrix that an audit wrote, read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import TableError
from pipeline.tables.tables import read_table

NAME = "ageing_error_matrix.csv"
_COUNT = "count_"


def read_error_matrix(
    path: Path,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]] | None:
    """Reference ages (row,), counts (column,), and the probability (row, column) of each count; None if it is empty.

    Raises TableError when the table is damaged.
    """
    rows = read_table(path, ("reference_age",))
    counts = [name for name in (rows[0] if rows else ()) if name.startswith(_COUNT)]
    if not rows or not counts:
        return None
    try:
        return (
            np.array([int(row["reference_age"]) for row in rows], np.int64),
            np.array([int(name.removeprefix(_COUNT)) for name in counts], np.int64),
            np.array([[float(row[name]) for name in counts] for row in rows], np.float64),
        )
    except ValueError:
        raise TableError([f"{path.name}: this table is damaged; give the line of `opercle audit` again"]) from None

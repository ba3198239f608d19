"""What the second pass lays aside lies in a file without a name: it goes with the command, however that ends."""

from __future__ import annotations

import pickle
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any


class FileShelf:
    """Records, in the order in which they were laid aside."""

    def __init__(self, folder: Path) -> None:
        """`folder`: on whose disk they lie."""
        self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115  (closed with the shelf)
        self._many = 0

    def append(self, part: Any, /) -> None:
        """Lay one more aside."""
        pickle.dump(part, self._file, pickle.HIGHEST_PROTOCOL)
        self._many += 1

    def __iter__(self) -> Iterator[Any]:
        """All of them, from the first on."""
        self._file.seek(0)
        for _ in range(self._many):
            yield pickle.load(self._file)

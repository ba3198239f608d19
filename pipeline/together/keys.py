"""Numbers that stand for names: what a whole run is compared by is held for all its bones at once, in arrays."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Keys = NDArray[np.int64]


@lru_cache(maxsize=1024)
def key_of(*names: str) -> int:
    """The same for the same names: two of a million different ones share a key once in forty million runs."""
    text = "\n".join(names).encode("utf-8", "surrogatepass")
    return int.from_bytes(hashlib.blake2b(text, digest_size=8).digest(), signed=True)


def groups(keys: Keys, among: NDArray[np.intp]) -> Iterator[NDArray[np.intp]]:
    """Those among some places that have one key, key by key; ascending in each group."""
    order = among[np.argsort(keys[among], kind="stable")]
    begins = np.flatnonzero(np.diff(keys[order])) + 1
    yield from np.split(order, begins) if len(order) else ()

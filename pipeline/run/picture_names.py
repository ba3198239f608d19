"""Names of pictures: the specimen's id, made safe for every file system."""

from __future__ import annotations

import hashlib
import unicodedata
from collections.abc import Container, Iterable

import numpy as np

from pipeline.names import folded
from pipeline.together.keys import key_of

# Names that Windows keeps for devices, whatever follows the first dot.
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
_KEPT = "-_.()+, "
# Bytes of a name at most: file systems allow 255, and the ends and a temporary name's additions must fit.
_MOST_BYTES = 180


def picture_names(specimens: Iterable[str]) -> dict[str, str]:
    """A file name without its ending for each specimen of a run: see `picture_name`."""
    all_of_them = list(specimens)
    shared = shared_names(all_of_them)
    return {specimen: picture_name(specimen, shared) for specimen in all_of_them}


def shared_names(specimens: Iterable[str]) -> Container[int]:
    """Names that several specimens of a run would have, as keys that stand for them."""
    keys = np.fromiter((key_of(folded(_safe(specimen))) for specimen in specimens), np.int64)
    found, times = np.unique(keys, return_counts=True)
    return frozenset(found[times > 1].tolist())


def picture_name(specimen: str, shared: Container[int]) -> str:
    """The file name of one specimen. `shared` are those of `shared_names`.

    Letters and digits of any script stay readable, all else that a file system may refuse is percent-escaped as UTF-8.
    Ids that differ only in the case of letters, which some file systems take for one, each get a sign of their own.
    """
    name = _safe(specimen)
    return f"{name}~{_sign(specimen)}" if key_of(folded(name)) in shared else name


def _sign(specimen: str) -> str:
    return hashlib.sha256(specimen.encode("utf-8", "surrogatepass")).hexdigest()[:10]


def _safe(specimen: str) -> str:
    last = len(specimen) - 1
    name = "".join(
        c if _is_kept(c) and not (c in ". " and place in (0, last)) else _escaped(c) for place, c in enumerate(specimen)
    )
    if name.split(".")[0].strip().casefold() in _RESERVED:
        name = _escaped(name[0]) + name[1:]
    encoded = name.encode("utf-8")
    if len(encoded) <= _MOST_BYTES:
        return name
    return f"{encoded[:_MOST_BYTES].decode('utf-8', 'ignore')}~{_sign(specimen)}"


def _is_kept(character: str) -> bool:
    # A character that a file system may store in another form (decomposed, say) would come back as another name.
    stable = all(unicodedata.normalize(form, character) == character for form in ("NFC", "NFKC"))
    return character in _KEPT or (stable and (character.isalpha() or character.isdecimal()))


def _escaped(character: str) -> str:
    return "".join(f"%{byte:02X}" for byte in character.encode("utf-8", "surrogatepass"))

"""Names of pictures: the specimen's id, made safe for every file system."""

from __future__ import annotations

import hashlib
import unicodedata
from collections import Counter
from collections.abc import Iterable

from pipeline.names import folded

# Names that Windows keeps for devices, whatever follows the first dot.
_RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
_KEPT = "-_.()+, "
# Bytes of a name at most: file systems allow 255, and the ends and a temporary name's additions must fit.
_MOST_BYTES = 180


def picture_names(specimens: Iterable[str]) -> dict[str, str]:
    """A file name without its ending for each specimen of a run.

    Letters and digits of any script stay readable, all else that a file system may refuse is percent-escaped as UTF-8.
    Ids that differ only in the case of letters, which some file systems take for one, each get a sign of their own.
    """
    names = {specimen: _safe(specimen) for specimen in specimens}
    shared = Counter(_folded(name) for name in names.values())
    return {s: f"{name}~{_sign(s)}" if shared[_folded(name)] > 1 else name for s, name in names.items()}


def _folded(name: str) -> str:
    return folded(name)


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

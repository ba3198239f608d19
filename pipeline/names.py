"""When two names are the same to people, though not to a computer."""

from __future__ import annotations

import unicodedata


def folded(name: str) -> str:
    """One spelling for names that differ in case or in how their accents are written."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())

"""Text on pictures: one font that every installation has, sizes, wrapping, and names in any script."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import ImageFont

Box = tuple[float, float, float, float]
"""Left, top, right, bottom in picture pixels."""
Colour = tuple[int, int, int]
"""Red, green, blue, 0 to 255."""

_COVER_BITS = 8
_NO_SUCH_GLYPH = "\U0010ffff"


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text at its place on a picture."""

    text: str
    left: float
    top: float
    size: int
    colour: Colour
    bold: bool = False

    @property
    def box(self) -> Box:
        """The pixels that the line may touch: its width, from ascender to descender."""
        width, height = extent(self.text, self.size, self.bold)
        return self.left, self.top, self.left + width, self.top + height


@lru_cache(maxsize=64)
def font(size: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """The font at a size in pixels. It comes with matplotlib, so pictures look the same on every machine."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(_fonts() / name, size)


@lru_cache(maxsize=1)
def _fonts() -> Path:
    # Found without importing the library, which every child process would have to carry.
    library = find_spec("matplotlib")
    if library is None or library.origin is None:
        raise ModuleNotFoundError("No module named 'matplotlib'", name="matplotlib")
    return Path(library.origin).parent / "mpl-data" / "fonts" / "ttf"


_MOST_CHARACTERS = 250
"""Of one text that people or folders give: more would fill the picture, and take minutes to lay out."""


@lru_cache(maxsize=4096)
def _has_glyph(character: str, bold: bool) -> bool:
    probe = font(16, bold)
    return bytes(probe.getmask(character)) != bytes(probe.getmask(_NO_SUCH_GLYPH))


def legible(text: str, bold: bool = False) -> str:
    """The text as the font can show it, cut where it has no end; a character it lacks becomes its code, as in `{6F22}`.

    Two names that differ stay different on the picture; an empty box in place of each unknown character would
    make them look alike.
    """
    text = unicodedata.normalize("NFC", text[:_MOST_CHARACTERS] + "..." * (len(text) > _MOST_CHARACTERS))
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if c.isprintable() and (c.isascii() or _has_glyph(c, bold)) else f"{{{ord(c):04X}}}" for c in text)


@lru_cache(maxsize=4096)
@lru_cache(maxsize=4096)
def extent(text: str, size: int, bold: bool = False) -> tuple[float, float]:
    """Width and height of one line of text in pixels."""
    used = font(size, bold)
    left, _, right, _ = used.getbbox(text, anchor="la")
    ascent, descent = used.getmetrics()
    return float(max(right, used.getlength(text)) - min(left, 0)), float(ascent + descent)


def wrapped(text: str, width: float, size: int, bold: bool = False) -> list[str]:
    """The text in lines no wider than `width` pixels: broken at spaces, and inside a word too long for one."""
    lines: list[str] = []
    line, used = "", 0.0
    gap, _ = extent(" ", size, bold)
    for word in text.split(" "):
        # Words are measured one by one: few are new, and nearly every line would be.
        wide, _ = extent(word, size, bold)
        if line and used + gap + wide <= width:
            line, used = f"{line} {word}", used + gap + wide
            continue
        if line:
            lines.append(line)
        line, used = word, wide
        while used > width and len(line) > 1:
            cut = next(n for n in range(len(line) - 1, 0, -1) if n == 1 or extent(line[:n], size, bold)[0] <= width)
            lines.append(line[:cut])
            line = line[cut:]
            used, _ = extent(line, size, bold)
    return [*lines, line]


def fitting_size(text: str, width: float, largest: int, smallest: int, bold: bool = False) -> int:
    """The largest size at which the text fits into `width` pixels; `smallest` when none does."""
    sizes = range(largest, smallest, -1)
    return next((size for size in sizes if extent(text, size, bold)[0] <= width), smallest)


def write_words(picture: NDArray[np.uint8], lines: Iterable[Words]) -> None:
    """Write the lines on a picture (row, column, 3) in place, each at the nearest whole pixel."""
    for line in lines:
        left_over, words, across, down = _cover(line.text, line.size, line.bold, line.colour)
        left, top = round(line.left) + across, round(line.top) + down
        height, width = words.shape[:2]
        ground = picture[max(top, 0) : max(top + height, 0), max(left, 0) : max(left + width, 0)]
        seen = np.s_[max(-top, 0) :, max(-left, 0) :]
        left_over, words = (a[seen][: ground.shape[0], : ground.shape[1]] for a in (left_over, words))
        ground[:] = (ground.astype(np.uint16) * left_over + words) >> _COVER_BITS


@lru_cache(maxsize=1024)
def _cover(text: str, size: int, bold: bool, colour: Colour) -> tuple[NDArray[np.uint16], NDArray[np.uint16], int, int]:
    """What the text leaves of each pixel, in parts of 2 to the power `_COVER_BITS`, and what it puts there, both (row,
    column, 3); and where its first pixel lies, across and down from the line's corner. Kept: most lines stand on many
    pictures.
    """
    mask, (left, top) = font(size, bold).getmask2(text, mode="L", anchor="la")
    across, down = mask.size
    cover = np.frombuffer(bytes(mask), np.uint8).reshape(down, across, 1).astype(np.uint16)
    cover = np.repeat(cover + (cover >> _COVER_BITS - 1), 3, axis=2)
    return (1 << _COVER_BITS) - cover, cover * np.asarray(colour, np.uint16), left, top

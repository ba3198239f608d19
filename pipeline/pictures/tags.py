"""Tags that name marks: where each stands beside the growth axis or above the band, and its leader."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pictures import ink
from pipeline.pictures.lettering import Box, Words, extent
from pipeline.pictures.view import View
from pipeline.records import Age, AgedMark, Point

TAG_SIZE = 18
"""Side of a tag in pixels."""
_TAG_TEXT = 12
_TAG_APART = TAG_SIZE + 3
# From the axis to the middle of the first row of tags, and on to the next row.
_TAG_ASIDE = 26
_ROW_APART = TAG_SIZE + 3
# Another row of tags is opened when a tag of crowded marks would stand farther than this from its mark, pixels.
_LONGEST_LEADER = 34.0
_MOST_ROWS = 3
BAND_TAGS = 34
"""Height of the room for tags above the band, pixels."""


@dataclass(frozen=True, slots=True)
class Tag:
    """A number or question mark on a plate, tied by a leader to what it names."""

    text: str
    kind: str
    """`counted`, `inferred` or `doubt`."""
    x: float
    y: float
    """Middle of the plate."""
    leader: tuple[Point, ...]

    @property
    def box(self) -> Box:
        """The plate."""
        half = TAG_SIZE / 2
        return self.x - half, self.y - half, self.x + half, self.y + half

    @property
    def words(self) -> Words:
        """The text, centred on the plate."""
        width, height = extent(self.text, _TAG_TEXT, True)
        colour = ink.PAPER if self.kind == "doubt" else ink.HALO
        return Words(self.text, self.x - width / 2, self.y - height / 2, _TAG_TEXT, colour, bold=True)


@dataclass(frozen=True, slots=True)
class AxisLine:
    """The growth axis on the picture, with the side of it on which marks are traced and named."""

    start: NDArray[np.float64]
    along: NDArray[np.float64]
    """Unit vector from focus to tip."""
    aside: NDArray[np.float64]
    """Unit vector across the axis, towards the traced side."""
    length: float

    def at(self, along: float, aside: float = 0.0) -> Point:
        """The point so many pixels along the axis and aside from it."""
        x, y = self.start + self.along * along + self.aside * aside
        return float(x), float(y)


def tags_beside(age: Age, counted: Sequence[AgedMark], line: AxisLine, zoom: float) -> tuple[list[Tag], float]:
    """Tags beside the axis, and how far from it they reach."""
    named: list[tuple[float, AgedMark | None]] = [(m.radius_px * zoom, m) for m in counted]
    if age.hidden_first_px is not None:
        named.append((age.hidden_first_px * zoom, None))
    named.sort(key=lambda pair: pair[0])
    # Along a slanting axis, plates with level edges need more room.
    slant = float(np.abs(line.along).max())
    low, high = -TAG_SIZE, line.length + TAG_SIZE
    wanted = np.asarray([along for along, _ in named])
    crowded = np.zeros(len(named), dtype=bool)
    close = np.diff(wanted) < _TAG_APART / slant
    crowded[1:] |= close
    crowded[:-1] |= close
    for rows in range(1, _MOST_ROWS + 1):
        # Only crowded marks take turns; the others keep their short leaders in the first row.
        row_of = np.where(crowded, np.cumsum(crowded) % rows, 0)
        places = wanted.copy()
        for row in range(rows):
            places[row_of == row] = ink.spread(wanted[row_of == row], _TAG_APART / slant, low, high)
        if np.all(np.abs(places - wanted) <= _LONGEST_LEADER):
            break
    tags = []
    for place, row, (along, mark) in zip(places, row_of, named, strict=True):
        middle = line.at(float(place), _TAG_ASIDE + int(row) * _ROW_APART / slant)
        tags.append(_tag(mark, middle, line.at(along, 9.0)))
    doubts = []
    if "focus-unsure" in age.reasons:
        doubts.append(line.at(-TAG_SIZE - 8.0))
    if "edge-undecided" in age.reasons or "crowded-margin" in age.reasons:
        doubts.append(line.at(line.length + TAG_SIZE + 6.0))
    tags += [Tag("?", "doubt", x, y, ()) for x, y in doubts]
    return tags, _TAG_ASIDE + (rows - 1) * _ROW_APART / slant + TAG_SIZE / 2


def tags_above(band: View, ticks: Sequence[tuple[AgedMark, float]], hidden: float | None) -> list[Tag]:
    named: list[tuple[float, AgedMark | None]] = [(x, m) for m, x in ticks if m.counted]
    if hidden is not None:
        named.append((hidden, None))
    named.sort(key=lambda pair: pair[0])
    left, top, right, _ = band.box
    places = ink.spread([x for x, _ in named], _TAG_APART, left + TAG_SIZE / 2, right - TAG_SIZE / 2)
    y = top - BAND_TAGS + TAG_SIZE / 2 + 2
    return [_tag(mark, (float(place), y), (x, top - 2)) for place, (x, mark) in zip(places, named, strict=True)]


def _tag(mark: AgedMark | None, middle: Point, root: Point) -> Tag:
    """The tag of a counted mark, or of a hidden one (None)."""
    text, kind = "?", "doubt"
    if mark is not None:
        text, kind = str(mark.number), "inferred" if mark.inferred else "counted"
    return Tag(text, kind, middle[0], middle[1], (root, middle))

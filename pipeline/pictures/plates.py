"""The labels of bones on a tray sheet: what each says, and where it stands so that none is taken for another bone's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.pictures import ink
from pipeline.pictures.lettering import Box, Colour, Words, extent, legible, wrapped
from pipeline.records import Age, BoneReading, Specimen

NO_ROW = "no-row"
"""The notice of a bone that no row of the table names."""

_PADDING = 7
_FACT_SIZE = 15
# Picture pixels between the places that are tried for a plate, and the room kept free around it.
_GRID = 10
# No plate is put farther from its bone than this, picture pixels: the leader would be lost among other bones.
_FARTHEST = 60.0
GAP = 6
# What a plate's place costs, in pixels of distance from its bone, when all of the plate lies on its bone, on others, on
# other plates.
_COVERS_OWN, _COVERS_OTHER, _COVERS_PLATE = 160.0, 900.0, 1e6
# When it covers a bone's number, and when another bone's middle is nearer to it than that of its own bone: the id would
# seem to be the other's.
_COVERS_NUMBER, _NEARER_OTHER = 1500.0, 2000.0
# Above its bone a plate reads as the label of the bone in the row above.
_ABOVE = 40.0
# The disc of a bone's number: a share of the bone's shorter side, within bounds in picture pixels.
_DISC_SHARE, _LEAST_DISC, _MOST_DISC = 0.2, 9.0, 19.0


@dataclass(frozen=True, slots=True)
class TrayBone:
    """One bone of a tray with what was made of it."""

    reading: BoneReading
    age: Age
    specimen: Specimen


@dataclass(frozen=True, slots=True)
class BoneLabel:
    """The label of one bone."""

    bone: TrayBone
    box: Box
    words: tuple[Words, ...]
    outline: NDArray[np.float64]
    """(n, 2) of its bone, picture pixels."""

    @property
    def middle(self) -> tuple[float, float]:
        """Middle of the rectangle around the bone."""
        x, y = (self.outline.min(axis=0) + self.outline.max(axis=0)) / 2
        return float(x), float(y)

    @property
    def disc(self) -> float:
        """Radius of the disc with the bone's number at its middle."""
        side = float((self.outline.max(axis=0) - self.outline.min(axis=0)).min())
        return float(np.clip(_DISC_SHARE * side, _LEAST_DISC, _MOST_DISC))


@dataclass(frozen=True, slots=True)
class Detail:
    """How much a plate says."""

    id_sizes: tuple[int, ...]
    """Sizes of a specimen id, tried from the largest until the plate is narrow enough."""
    widest: float
    fish: bool
    """Species and length, and the reasons."""
    count: bool


DETAILS = (
    Detail(id_sizes=(32, 26, 22, 18, 14), widest=330, fish=True, count=True),
    Detail(id_sizes=(24, 20, 16, 14), widest=230, fish=False, count=True),
    Detail(id_sizes=(18, 16, 14, 12), widest=170, fish=False, count=False),
)
"""From plates that say all to those of trays so crowded that only the ids have room."""


def place_plates(
    bones: Sequence[TrayBone], outlines: Sequence[NDArray[np.float64]], room: Box, detail: Detail
) -> tuple[BoneLabel, ...]:
    """A plate for each bone, within `room`; `outlines` are (n, 2) picture pixels."""
    boxes = np.asarray([(*o.min(axis=0), *o.max(axis=0)) for o in outlines]).reshape(-1, 4)
    placed = np.zeros((0, 4))
    plates = []
    for own, (bone, outline) in enumerate(zip(bones, outlines, strict=True)):
        size, lines = _label(bone, detail)
        box = _place(size, boxes, own, placed, room)
        placed = np.vstack([placed, box])
        moved = tuple(Words(w.text, w.left + box[0], w.top + box[1], w.size, w.colour, w.bold) for w in lines)
        plates.append(BoneLabel(bone, box, moved, outline))
    return tuple(plates)


def are_plain(plates: Sequence[BoneLabel]) -> bool:
    """Whether every plate is nearest to its own bone and covers no other plate and no bone's number."""
    if not plates:
        return True
    boxes = np.asarray([p.box for p in plates])
    middles = np.asarray([p.middle for p in plates])
    reach = _reach(boxes, middles)
    nearest = reach.argmin(axis=1) == np.arange(len(plates))
    numbers = reach > np.asarray([p.disc for p in plates])
    alone = _shared(boxes, boxes) <= np.prod(boxes[:, 2:] - boxes[:, :2], axis=1) + 1e-6
    return bool(nearest.all() and numbers.all() and alone.all())


def _label(bone: TrayBone, detail: Detail) -> tuple[tuple[float, float], list[Words]]:
    """Size of a bone's plate and its lines, from the plate's corner."""
    name = legible(bone.specimen.specimen, bold=True)
    widest = detail.widest - 2 * _PADDING
    size = next((s for s in detail.id_sizes if extent(name, s, True)[0] <= widest), detail.id_sizes[-1])
    lines: list[tuple[str, int, Colour, bool]] = [(t, size, ink.INK, True) for t in wrapped(name, widest, size, True)]

    def add(text: str, colour: Colour, bold: bool) -> None:
        lines.extend((t, _FACT_SIZE, colour, bold) for t in wrapped(text, widest, _FACT_SIZE, bold))

    specimen, age = bone.specimen, bone.age
    facts = [specimen.species, f"{specimen.length_mm:g} mm" if specimen.length_mm is not None else ""]
    if NO_ROW in age.notices:
        add("not in the table", ink.DOUBT_INK, True)
    elif detail.fish and any(facts):
        add(legible(" · ".join(filter(None, facts))), ink.INK, False)
    if detail.count:
        if age.annuli is None or age.confidence is None:
            add("no count", ink.DOUBT_INK, True)
        else:
            word = "annulus" if age.annuli == 1 else "annuli"
            add(f"{age.annuli} {word} · {'confidence ' if detail.fish else ''}{age.confidence:.2f}", ink.INK, False)
        if age.review:
            add(f"LOOK: {', '.join(age.reasons)}" if detail.fish else "LOOK", ink.DOUBT_INK, True)
    words, top, width = [], float(_PADDING - 3), 0.0
    for text, points, colour, bold in lines:
        words.append(Words(text, _PADDING, top, points, colour, bold))
        across, down = extent(text, points, bold)
        top, width = top + down, max(width, across)
    return (width + 2 * _PADDING, top + _PADDING - 3), words


def _place(
    size: tuple[float, float], bones: NDArray[np.float64], own: int, plates: NDArray[np.float64], room: Box
) -> Box:
    """The best corner for a plate: near its bone, off the other bones, never on another plate."""
    width, height = size
    bone = bones[own]
    across = _grid(bone[0] - width - _FARTHEST, bone[2] + _FARTHEST, room[0], room[2] - width)
    down = _grid(bone[1] - height - _FARTHEST, bone[3] + _FARTHEST, room[1], room[3] - height)
    left, top = (g.ravel() for g in np.meshgrid(across, down))
    tried = np.column_stack([left, top, left + width, top + height])
    aside = np.maximum(np.maximum(bone[0] - tried[:, 2], tried[:, 0] - bone[2]), 0)
    below = np.maximum(np.maximum(bone[1] - tried[:, 3], tried[:, 1] - bone[3]), 0)
    off_middle = np.abs((tried[:, 0] + tried[:, 2]) / 2 - (bone[0] + bone[2]) / 2)
    cost = np.hypot(aside, below) + 0.1 * off_middle + _ABOVE * (tried[:, 3] <= bone[1] + 1)
    reach = _reach(tried, (bones[:, :2] + bones[:, 2:]) / 2)
    cost += _NEARER_OTHER * (reach.argmin(axis=1) != own) + _COVERS_NUMBER * (reach <= _MOST_DISC + GAP).sum(axis=1)
    area = width * height
    cost += _COVERS_OWN * _shared(tried, bone[None]) / area
    cost += _COVERS_OTHER * _shared(tried, np.delete(bones, own, axis=0)) / area
    grown = plates + np.asarray([-GAP, -GAP, GAP, GAP])
    cost += _COVERS_PLATE * _shared(tried, grown) / area
    best = tried[int(np.argmin(cost))]
    return float(best[0]), float(best[1]), float(best[2]), float(best[3])


def _grid(begin: float, end: float, low: float, high: float) -> NDArray[np.float64]:
    """(n,) places from `begin` to `end` that lie between `low` and `high`; at least one."""
    return np.arange(np.clip(begin, low, max(high, low)), np.clip(end, low, max(high, low)) + 1, _GRID)


def _reach(boxes: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n, m) distance from each of (n, 4) boxes to each of (m, 2) points."""
    inside = np.clip(points[None], boxes[:, None, :2], boxes[:, None, 2:])
    distance: NDArray[np.float64] = np.hypot(*np.moveaxis(points[None] - inside, 2, 0))
    return distance


def _shared(boxes: NDArray[np.float64], others: NDArray[np.float64]) -> NDArray[np.float64]:
    """(n,) area that each of (n, 4) boxes shares with all of (m, 4) others together."""
    wide = np.minimum(boxes[:, None, 2], others[None, :, 2]) - np.maximum(boxes[:, None, 0], others[None, :, 0])
    high = np.minimum(boxes[:, None, 3], others[None, :, 3]) - np.maximum(boxes[:, None, 1], others[None, :, 1])
    shared: NDArray[np.float64] = (np.maximum(wide, 0) * np.maximum(high, 0)).sum(axis=1)
    return shared

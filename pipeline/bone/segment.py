"""From a scan to its bones: outlines and reading order; ruler, label, dust left out."""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.bone.area_mean import area_mean
from pipeline.bone.backing import Backing, find_backing
from pipeline.bone.lighting import decide_lighting
from pipeline.bone.likeness import (
    Small,
    contrast_likeness,
    edge_likeness,
    kept_likeness,
    lettering_likeness,
    made_small,
    measure_shape,
    shape_likeness,
    size_likeness,
    standing_out,
    texture_likeness,
)
from pipeline.bone.median import median
from pipeline.bone.objects import Thing, find_things
from pipeline.bone.outline import Cutout, cut_out
from pipeline.bone.reading_order import reading_order
from pipeline.records import Bone, Float, Mask, Scan, frozen

_FINDING_PX = 500  # pixels; longer side of the copy on which bones are looked for; a larger one only costs time
_FINDING_REDUCTION = 2.5  # a scan is not reduced more than this for it: a bone of 5 mm at 300 dpi keeps 24 pixels
_FINDING_MOST_PX = 1800  # pixels; longer side of that copy at most, whatever the reduction
_WORD_OF_LARGEST = 0.45  # size of a word over that of the largest bone, at most
_LETTER_OF_LARGEST = 0.25  # size of a letter over that of the largest bone, at most
_LEAST_PEERS = 3  # things of a letter's size with at least so many others of that size in their company are text
_SOLIDITY_OF_TEXT = 0.80  # area over that of the convex hull; things of any size in company are text below it
_PLAINLY_NOT = 0.15  # likeness below which a thing is dropped, whatever the table promises
LIKELY = 0.5
"""Likeness from which a doubtful thing is kept when no table says how many bones there are."""
PLAINLY_BONE = 0.75
"""Likeness from which a thing is kept, whatever the table promises."""
_CUT_PX = 4  # pixels along the scan's edge from which a bone is cut off


def find_bones(scan: Scan, expected: int | None = None, lighting: str = "") -> tuple[Bone, ...]:
    """Find the bones of a scan, in reading order, each cut out at full resolution.

    `expected` is the number that the specimens table promises, None when it does not say: it decides about doubtful
    things only. `lighting` is the table's word (`reflected`, `transmitted` or blank) and overrides what the backing
    shows. Returns an empty tuple when there is nothing that could be a bone.
    """
    image, scale = _reduced(scan)
    backing = find_backing(image)
    things = find_things(image, backing)
    taken = _taken(things, image.shape)
    shapely = [shape_likeness(measure_shape(t.mask, t.origin, image.shape)) for t in things]
    largest = max((_side(t) for t, s in zip(things, shapely, strict=True) if s >= _PLAINLY_NOT), default=0.0)
    cut: list[tuple[Thing, float, Cutout, Small, float]] = []
    for thing, like in zip(things, shapely, strict=True):
        if like < _PLAINLY_NOT or _is_text(thing, largest):
            continue
        cutout = cut_out(scan, backing, thing, taken, scale)
        if cutout is None:
            continue
        like *= size_likeness(_side(thing), largest) * kept_likeness(cutout)
        if like < _PLAINLY_NOT:
            continue
        small = made_small(cutout)
        if thing.company and _side(thing) < _WORD_OF_LARGEST * largest:
            like *= lettering_likeness(cutout, small)
        cut.append((thing, like, cutout, small, standing_out(cutout)))
    clearest = max((step for t, *_, step in cut if _side(t) > _LETTER_OF_LARGEST * largest), default=0.0)
    found = []
    for _, like, cutout, small, step in cut:
        clear = contrast_likeness(step, clearest)
        likeness = like * clear * edge_likeness(small) * texture_likeness(cutout, small)
        if likeness >= _PLAINLY_NOT:
            found.append((likeness, cutout))
    chosen = _chosen(found, expected)
    order = reading_order([_centre(c) for _, c in chosen], [float(np.ptp(c.outline[:, 1])) for _, c in chosen])
    return tuple(_bone(k, *chosen[i], scan, backing, scale, lighting) for k, i in enumerate(order, start=1))


def _reduced(scan: Scan) -> tuple[Float, float]:
    """The scan's brightness 0..1 at the size at which bones are looked for, and its pixels per pixel of this."""
    longer = max(scan.pixels.shape)
    reduction = max(1.0, min(longer / _FINDING_PX, _FINDING_REDUCTION), longer / _FINDING_MOST_PX)
    small = area_mean(scan.pixels, 1 / reduction).astype(np.float32)
    return small * np.float32(1 / scan.white), reduction


def _side(thing: Thing) -> float:
    """Size of a thing: the root of its area, pixels of the reduced scan."""
    return float(np.sqrt(np.count_nonzero(thing.mask)))


def _is_text(thing: Thing, largest: float) -> bool:
    """Whether a thing is one of many of its size: small beside the bones, or none of them as solid as a bone."""
    if _side(thing) < _LETTER_OF_LARGEST * largest and thing.peers >= _LEAST_PEERS:
        return True
    return thing.peers > _LEAST_PEERS and thing.peer_solidity < _SOLIDITY_OF_TEXT


def _taken(things: tuple[Thing, ...], shape: tuple[int, int]) -> Mask:
    """Where things lie on the reduced scan."""
    taken = np.zeros(shape, bool)
    for thing in things:
        (x, y), (rows, columns) = thing.origin, thing.mask.shape
        taken[y : y + rows, x : x + columns] |= thing.mask
    return taken


def _chosen(found: list[tuple[float, Cutout]], expected: int | None) -> list[tuple[float, Cutout]]:
    """Plain bones, and of the doubtful things as many as the table promises, or the likelier ones when it is silent."""
    plain = [f for f in found if f[0] >= PLAINLY_BONE]
    doubtful = sorted((f for f in found if f[0] < PLAINLY_BONE), key=lambda f: -f[0])
    if expected is None:
        return plain + [f for f in doubtful if f[0] >= LIKELY]
    return plain + doubtful[: max(0, expected - len(plain))]


def _centre(cutout: Cutout) -> tuple[float, float]:
    low, high = cutout.outline.min(0), cutout.outline.max(0)
    return float(low[0] + high[0]) / 2, float(low[1] + high[1]) / 2


def _bone(
    number: int,
    likeness: float,
    cutout: Cutout,
    scan: Scan,
    backing: Backing,
    scale: float,
    lighting: str,
) -> Bone:
    inside = cutout.mask[::3, ::3]
    off = (cutout.grey[::3, ::3] - cutout.backing[::3, ::3])[inside]
    under = median(cutout.backing[::3, ::3][inside])
    dark, probability = decide_lighting(under, float(np.mean(off > 0)), lighting)
    for array in (cutout.grey, cutout.backing, cutout.mask, cutout.outline):
        frozen(array)
    return Bone(
        number=number,
        origin=cutout.origin,
        grey=cutout.grey,
        backing=cutout.backing,
        mask=cutout.mask,
        outline=cutout.outline,
        dark_backing=dark,
        lighting_probability=probability,
        likeness=likeness,
        cut_off=_cut_off(cutout, scan, backing, scale),
    )


def _cut_off(cutout: Cutout, scan: Scan, backing: Backing, scale: float) -> bool:
    """Whether the bone runs along the scan's edge, or along the frame about the backing, for more than a few pixels."""
    (x, y), mask = cutout.origin, cutout.mask
    rows, columns = mask.shape
    along = [0]
    if not backing.field.all():
        field = backing.field_within(cutout.origin, mask.shape, scale).astype(np.uint8)
        along.append(int(np.count_nonzero(mask & (cv2.erode(field, np.ones((3, 3), np.uint8)) == 0))))
    along += [
        int(np.count_nonzero(edge))
        for edge, cut in (
            (mask[0], y == 0),
            (mask[:, 0], x == 0),
            (mask[-1], y + rows == scan.pixels.shape[0]),
            (mask[:, -1], x + columns == scan.pixels.shape[1]),
        )
        if cut
    ]
    return bool(max(along) >= _CUT_PX)

"""Things that stand out from the backing, found on a reduced scan, each parted from what it touches."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.backing import SURELY_BRIGHT, SURELY_DARK, Backing
from pipeline.bone.median import median
from pipeline.bone.shape import disc, disc_opened, filled, largest, parts, solidity
from pipeline.records import Float, Mask

_LEAST_SIDE_PX = 18  # pixels of the copy, root of the area; smaller things are dust, letters and ticks
NOISE_MULTIPLE = 4.0
"""Standard deviations of the backing's noise that a bone differs by."""
# Share of the usual contrast on the scan that a bone differs by, within the next two limits.
_FINDING_CONTRAST_SHARE = 0.15
_LEAST_CONTRAST = 0.015  # brightness that a bone differs by at least: backings are uneven
_ENOUGH_CONTRAST = 0.022  # brightness that is enough in any case: dim bones may lie beside a bright label
_LEAST_LETTER_PX = 6  # pixels of the copy, root of the area; letters below this do not count as company of others
_LETTER_GAP = 0.8  # gap between a letter and its company over its own size, at most
# Area over that of the convex hull; less solid things, as the ticks of a ruler, are company of any size.
_SOLIDITY_OF_COMB = 0.60
_LINE_TOLERANCE = 0.12  # share of its height (or width) by which things on one line and of one height may differ
_HOLE_SHARE = 0.7  # share of a thing's area; larger holes are not filled: a drawn frame with bones in it
_FAINT_PERCENTILE = 70  # percentile of a thing's contrast that stands for its clear part
FAINT_SHARE = 0.2
"""Share of a thing's clear contrast below which what hangs on it is a stain, a shadow or uneven backing."""
# Share of a thing's size (root of the area); what is thinner than twice this is hair, scratch or scale line.
_THIN_SHARE = 0.05
_SURELY_ONE = 0.93  # area over that of the convex hull; above it a thing is one bone
# Half width of the neck over that of the narrower bone, at most: wider necks are notches in one bone.
_NECK_SHARE = 0.50
_BODY_SHARE = 0.30  # half width of a bone over that of the widest, at least: less is a splinter
_PARTING_GAIN = 0.05  # by how much the parts must be more convex than the whole
_SILENT = 0.03  # brightness; smaller differences from the backing are its noise, not things


@dataclass(frozen=True, slots=True)
class Thing:
    """Something on the backing: a bone, or a ruler, a label, a leaf."""

    origin: tuple[int, int]
    """(x, y) of the mask's top-left pixel on the reduced scan."""
    mask: Mask
    """(row, column), pixels of the reduced scan; no larger than the thing."""
    company: int
    """How many things stand close to it or on one line with it: letters and digits have company."""
    peers: int
    """How many of them are of about its size."""
    peer_solidity: float
    """Median area over that of the convex hull of the peers (1 when there are none): letters are less solid than
    bones."""


def difference(image: Float, backing: Float, level: float) -> Float:
    """How much each pixel stands out from the backing as a bone does, brightness.

    Bones are brighter than a dark backing and darker than a bright one; on a grey one they may be either.
    """
    if level < SURELY_DARK:
        return image - backing
    if level > SURELY_BRIGHT:
        return backing - image
    return np.asarray(np.abs(image - backing), np.float32)


def find_things(image: Float, backing: Backing) -> tuple[Thing, ...]:
    """Find all things of a bone's size or more on a reduced scan of brightness 0..1, (row, column)."""
    smooth = np.asarray(cv2.GaussianBlur(image, (0, 0), 1.0), np.float32)
    field = backing.field_within((0, 0), image.shape)
    off = difference(smooth, backing.within((0, 0), image.shape), backing.level)
    quiet = np.abs(off[::3, ::3])
    quiet = quiet[field[::3, ::3] & (quiet < _SILENT)]
    noise = 1.4826 * median(quiet) if quiet.size else 0.0
    share = float(np.clip(_FINDING_CONTRAST_SHARE * backing.contrast, _LEAST_CONTRAST, _ENOUGH_CONTRAST))
    standing_out = ((off > max(share, NOISE_MULTIPLE * noise)) & field).astype(np.uint8)
    closed = np.asarray(cv2.morphologyEx(standing_out, cv2.MORPH_CLOSE, disc(1)), np.uint8)
    seen = parts(_holes_filled(closed), 0.5 * _LEAST_LETTER_PX**2)
    companies = _company(seen)
    things: list[Thing] = []
    for (origin, part), company in zip(seen, companies, strict=True):
        if np.count_nonzero(part) <= 0.5 * _LEAST_SIDE_PX**2:
            continue
        part = _without_faint(part, off[origin[1] : origin[1] + part.shape[0], origin[0] : origin[0] + part.shape[1]])
        for piece in _pieces(part):
            x, y, width, height = cv2.boundingRect(piece.astype(np.uint8))
            mask = piece[y : y + height, x : x + width]
            things.append(Thing((origin[0] + x, origin[1] + y), mask, *company))
    return tuple(things)


def _without_faint(part: Mask, off: Float) -> Mask:
    """The part without what is faint beside the rest of it: a stain, shadow or uneven backing that it runs into."""
    clear = float(np.percentile(off[part], _FAINT_PERCENTILE))
    faint = (part & (off <= FAINT_SHARE * clear)).astype(np.uint8)
    # Thin faint lines are print or cracks, and remain.
    stain = disc_opened(np.pad(faint, 1), max(2, round(_THIN_SHARE * float(np.count_nonzero(part)) ** 0.5)))
    return np.asarray(part & (stain[1:-1, 1:-1] == 0))


def _company(seen: list[tuple[tuple[int, int], Mask]]) -> list[tuple[int, int, float]]:
    """For each part its company, peers and their solidity, as in `Thing`."""
    if not seen:
        return []
    corner = np.array([origin for origin, _ in seen], float)
    extent = np.array([part.shape[::-1] for _, part in seen], float)
    size = extent.max(1)
    gap = np.maximum(corner[:, None], corner[None]) - np.minimum((corner + extent)[:, None], (corner + extent)[None])
    solid = np.array([solidity(part) for _, part in seen])
    ratio = size[None] / size[:, None]
    close = np.hypot(*np.moveaxis(np.maximum(gap, 0), 2, 0)) < _LETTER_GAP * size[:, None]
    close &= (ratio > 0.2) & ((ratio < 2) | (solid[None] < _SOLIDITY_OF_COMB))
    # The digits of a ruler stand apart, but on one line and of one height (or one width, when it lies upright).
    end, tolerance = corner + extent, _LINE_TOLERANCE * extent
    lined = (np.abs(end[:, None] - end[None]) < tolerance[:, None]) & (
        np.abs(extent[:, None] - extent[None]) < tolerance[:, None]
    )
    close |= lined.any(-1) & (ratio > 0.5) & (ratio < 2)
    np.fill_diagonal(close, False)
    peers = close & (ratio > 0.6) & (ratio < 1.7)
    return [
        (int(row.sum()), int(alike.sum()), float(np.median(solid[alike])) if alike.any() else 1.0)
        for row, alike in zip(close, peers, strict=True)
    ]


def _holes_filled(binary: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Fill the holes of things, but not the inside of a line drawn around other things."""
    contours, tree = cv2.findContours(binary, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if tree is None:
        return binary
    for contour, (_, _, _, parent) in zip(contours, tree[0], strict=True):
        if parent < 0:
            continue
        hole, whole = cv2.contourArea(contour), cv2.contourArea(contours[parent])
        if hole < _HOLE_SHARE * whole:
            cv2.drawContours(binary, [contour], -1, 1, -1)
    return binary


def _pieces(part: Mask) -> list[Mask]:
    """Free a connected part from hairs, scratches and scale lines, and part things that touch."""
    pieces = [piece for opened in _opened(part) for piece in _parted(opened)]
    return [piece for piece in pieces if np.count_nonzero(piece) > 0.5 * _LEAST_SIDE_PX**2]


def _opened(part: Mask) -> list[Mask]:
    """The part without what is thinner than a share of its size; several when thin bridges held it together."""
    padded = np.pad(part.astype(np.uint8), 1)
    radius = max(1, round(_THIN_SHARE * float(np.count_nonzero(part)) ** 0.5))
    out = []
    for (x, y), body in parts(disc_opened(padded, radius), 0.5 * _LEAST_SIDE_PX**2):
        alone = np.zeros_like(padded)
        alone[y : y + body.shape[0], x : x + body.shape[1]] = body
        # Opening rounds corners; they come back, but no hair does: it is longer than the disc is wide.
        grown = np.asarray(cv2.dilate(alone, disc(max(1, radius // 2))), np.uint8)
        out.append(largest(grown & padded)[1:-1, 1:-1])
    return out


def _parted(mask: Mask) -> list[Mask]:
    """Part things that touch: a narrow neck between two wide bodies that are each more rounded out than the whole."""
    whole = solidity(mask)
    if whole > _SURELY_ONE:
        return [mask]
    padded = np.pad(mask.astype(np.uint8), 1)
    depth = cv2.distanceTransform(padded, cv2.DIST_L2, 5)
    deepest = float(depth.max())
    if deepest < 4:
        return [mask]
    for share in np.arange(0.08, _NECK_SHARE + 1e-6, 0.04):
        count, seeds, stats, _ = cv2.connectedComponentsWithStats(
            (depth > share * deepest).astype(np.uint8), connectivity=4
        )
        peaks = [(float(depth[seeds == i].max()), i) for i in range(1, count) if stats[i, cv2.CC_STAT_AREA] > 8]
        # A body is wide compared with the neck, and no splinter of the other.
        bodies = [i for peak, i in peaks if peak > _BODY_SHARE * deepest and share * deepest < _NECK_SHARE * peak]
        if len(bodies) < 2:
            continue
        pieces = _flooded(padded, np.asarray(seeds, np.int32), bodies)
        area = [float(np.count_nonzero(p)) for p in pieces]
        rounded = float(np.average([solidity(p) for p in pieces], weights=area))
        if rounded < whole + _PARTING_GAIN:
            continue
        return [q for p in pieces for q in _parted(p[1:-1, 1:-1])]
    return [mask]


def _flooded(binary: NDArray[np.uint8], seeds: NDArray[np.int32], bodies: list[int]) -> list[Mask]:
    """Give every pixel to one of the seeds by a watershed on the distance from the outline."""
    # Here, because it takes longer to import than all else, and of many processes only those that read scans need it.
    from skimage.segmentation import watershed

    depth = cv2.distanceTransform(binary, cv2.DIST_L2, 5)
    markers = np.where(np.isin(seeds, bodies), seeds, 0)
    basins = watershed(-depth, markers, mask=binary > 0)  # type: ignore[no-untyped-call]
    return [filled(largest((basins == body).astype(np.uint8))) for body in bodies]

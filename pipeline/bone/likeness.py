"""How much a thing on the backing is like an opercle: by the shape of its outline, its edge and its markings."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.median import median
from pipeline.bone.outline import Cutout
from pipeline.bone.shape import filled, outer_contour, solidity
from pipeline.records import Float, Mask

# Pairs are bands: a measure beyond one end of its band has no effect, beyond the other end it excludes.
# Overlap with the rectangle of the same moments: a fan stays below .90, paper, tape and rulers reach 1.
_SQUARENESS_OF_PAPER = (0.91, 0.97)
_ASPECT_OF_RULER = (3.0, 4.2)  # long over short side: opercles are fans, rulers and strips are not
_ROUNDNESS_OF_COIN = (0.955, 0.98)  # overlap with the ellipse of the same moments: coins, scales and seeds reach 1
# Area over that of the convex hull: notched and worn bones stay above .85, twigs and lettering below.
_SOLIDITY_OF_BONE = (0.65, 0.85)
# The same with holes left open, at full resolution, for small things in company: letters are strokes.
_SOLIDITY_OF_LETTER = (0.86, 0.93)
# Contrast of its clearest parts over its usual one: print is as black everywhere, bones are densest at the base.
_FLATNESS_OF_LETTER = (1.03, 1.08)
# What is as round as a coin, or has its zones about a deep focus as a scale, may be a rounded bone whose marks close
# around the focus: doubtful, and taken only when the table promises a bone.
_MAY_BE_ROUND = 0.45
_EDGE_OF_FRAME = (0.30, 0.45)  # share of the outline on the scan's edge: lid shadows and frames hug it
# Share of the brightness step made at the outline: glare and stains fade out, bones end.
_SHARPNESS_OF_BONE = (0.10, 0.30)
# Size over that of the largest bone: 5 mm beside 40 mm is .125, hairs and specks are smaller.
_SMALLNESS_OF_BONE = (0.08, 0.17)
# Brightness step over that of the clearest thing of the scan: bones of one scan are much alike, paper on a white
# backing and stains are faint.
_FAINTNESS_OF_BONE = (0.12, 0.30)
_ZONES_OF_BONE = (0.12, 0.26)  # share of the brightness variance that zones about a focus at the outline explain
# The same share; from here on neither dark strokes nor gaps alone make a bone print: few words reach .60.
_PLAIN_ZONES = (0.60, 0.75)
_ZONES_OF_SCALE = (0.25, 0.5)  # by how much zones about a focus deep inside explain more: scales and coins
# Share covered by thin dark strokes: of two hundred bones one reaches .07, labels and words .08 to .36.
_STROKES_OF_PRINT = (0.08, 0.14)
# Area over that of the convex hull, holes left open: of five hundred bones one is below .87 and the most deeply torn
# one at .80, runs of letters at .65 to .78.
_WHOLENESS_OF_BONE = (0.75, 0.84)
# Area of the exact outline over that of the thing first found: of 417 drawn bones none is below .86, stains and
# scattered print reach .35.
_KEPT_OF_BONE = (0.50, 0.70)
# Share of the place found that stands out by itself: of five hundred bones one is below .94, joined letters reach .88.
_COVER_OF_BONE = (0.85, 0.92)
# Contrast of its darkest parts over its own: print on paper stands out far more than paper on the backing.
_INK_OF_PRINT = (9.0, 16.0)
# The same ratio for dark things on a bright backing: print on grey paper is far darker than the paper, while
# photocopied bones are about equally black all over, however many white winters cross them.
_INK_OF_COPY = (1.6, 2.2)
_RELIEF_OF_BONE = (1.2, 1.4)  # the same for bright things: printed paper stays below 1.15
_SIDE = 112  # pixels; a bone reduced to this size keeps its zones and loses its grain
_OUTLINE_SIDE = 80  # pixels; a mask reduced to this size keeps its outline
_STROKE = 9  # pixels of that size; letters of two lines on a label are drawn with thinner strokes than this
_STROKE_STEP = 0.6  # of the thing's usual brightness step; marks on bones are fainter, ink is darker still
_LETTER_STEP = 0.45  # the same for small things in company
_RIM = 3  # pixels; a sharp corner of the outline looks like a stroke
_FOCI = 24  # places along the outline tried as the focus
_RAYS = 36
_SAMPLES = 32


@dataclass(frozen=True, slots=True)
class OutlineMeasures:
    """Measures of an outline that tell paper, rulers, coins and leaves from bones. None depends on size or rotation."""

    squareness: float
    """Overlap with the rectangle of the same moments (intersection over union): paper, tape and rulers near 1."""
    roundness: float
    """Overlap with the ellipse of the same moments: coins and plain leaves near 1."""
    aspect: float
    """Long over short side of the smallest rectangle about it."""
    solidity: float
    """Area as a share of the convex hull's."""
    on_edge: float
    """Share of the outline that lies on the scan's edge."""


@dataclass(frozen=True, slots=True)
class Small:
    """A thing with its longer side `_SIDE` pixels; both arrays (row, column)."""

    off: Float
    """Difference from the backing, larger on the thing."""
    mask: NDArray[np.uint8]


def measure_shape(mask: Mask, origin: tuple[int, int], scan_shape: tuple[int, int]) -> OutlineMeasures:
    """Measure a mask, (row, column), whose top-left pixel is `origin` (x, y) on a scan of `scan_shape` (rows,
    columns)."""
    ring = outer_contour(mask)
    hull = cv2.convexHull(ring)
    (_, sides, _) = cv2.minAreaRect(hull)
    across, down = sides[0] + 1, sides[1] + 1
    area = float(np.count_nonzero(mask))
    place = ring + np.array(origin)
    touching = (place <= 0).any(1) | (place[:, 0] >= scan_shape[1] - 1) | (place[:, 1] >= scan_shape[0] - 1)
    squareness, roundness = _overlaps(mask)
    hull_area = cv2.contourArea(hull) + 0.5 * cv2.arcLength(hull, True) + 1
    return OutlineMeasures(
        squareness=squareness,
        roundness=roundness,
        aspect=max(across, down) / min(across, down),
        solidity=min(1.0, area / hull_area),
        on_edge=float(touching.mean()),
    )


def shape_likeness(shape: OutlineMeasures) -> float:
    """0 to 1 from the outline alone."""
    # A bone cut by the scan's edge ends in a straight line there: it may be as square as paper.
    lenient = 0.03 if shape.on_edge > 0.04 else 0.0
    return (
        _falling(shape.squareness - lenient, _SQUARENESS_OF_PAPER)
        * _falling(shape.aspect, _ASPECT_OF_RULER)
        * max(_falling(shape.roundness, _ROUNDNESS_OF_COIN), _MAY_BE_ROUND)
        * _rising(shape.solidity, _SOLIDITY_OF_BONE)
        * _falling(shape.on_edge, _EDGE_OF_FRAME)
    )


def size_likeness(side: float, largest: float) -> float:
    """0 to 1 from its size beside the largest thing on the scan that may be a bone: specks and hairs are small."""
    return _rising(side / largest, _SMALLNESS_OF_BONE)


def kept_likeness(cutout: Cutout) -> float:
    """0 to 1 from how much of it remains at full resolution."""
    return _rising(cutout.kept, _KEPT_OF_BONE)


def lettering_likeness(cutout: Cutout, small: Small) -> float:
    """0 to 1 for small things in company: letters and digits are flat strokes, bones are sheets with a dense base."""
    sheet = _rising(solidity(cutout.mask) * cutout.covered, _SOLIDITY_OF_LETTER)
    unwritten = _falling(strokes(small, _LETTER_STEP), _STROKES_OF_PRINT)
    if unwritten < 1:  # dark ribs and plain zones look like strokes too, but only a bone has zones
        unwritten = max(unwritten, _rising(zones(small)[0], _PLAIN_ZONES))
    return sheet * _rising(ink(small), _FLATNESS_OF_LETTER) * unwritten


def standing_out(cutout: Cutout) -> float:
    """Median brightness step between the thing and the backing."""
    off = (cutout.grey[::3, ::3] - cutout.backing[::3, ::3])[cutout.mask[::3, ::3]]
    return abs(median(off)) if off.size else 0.0


def contrast_likeness(step: float, clearest: float) -> float:
    """0 to 1 from how much it stands out, beside the clearest thing on the scan: bones of one scan are much alike."""
    return _rising(step / clearest, _FAINTNESS_OF_BONE) if clearest > 0 else 1.0


def edge_likeness(small: Small) -> float:
    """0 to 1 from how sharply it ends: glare, stains and shadows fade out, bones end."""
    return _rising(edge_sharpness(small), _SHARPNESS_OF_BONE)


def texture_likeness(cutout: Cutout, small: Small) -> float:
    """0 to 1 from the markings: zones about a focus at the outline, not about one deep inside, and no print."""
    at_rim, deep = zones(small)
    # Ribs of a photocopied bone are as dark as ink, and a bone found with a wide shadow is as gappy as a word; but
    # print is both, and has no plain zones.
    whole, unwritten = _wholeness(cutout), _falling(strokes(small, _STROKE_STEP), _STROKES_OF_PRINT)
    if cutout.brighter:  # lit from the side, ribs are brighter than the rest; nothing on paper is brighter than paper
        unwritten = max(unwritten, _rising(ink(small), _RELIEF_OF_BONE))
    else:  # the blades between the winters of a photocopied bone are as thin and dark as strokes
        unwritten = max(unwritten, _falling(ink(small), _INK_OF_COPY))
    print_free = max(whole * unwritten, _rising(at_rim, _PLAIN_ZONES) * max(whole, unwritten))
    return (
        _rising(max(at_rim, deep), _ZONES_OF_BONE)
        * max(_falling(deep - at_rim, _ZONES_OF_SCALE), _MAY_BE_ROUND)
        * _falling(ink(small), _INK_OF_PRINT)
        * print_free
    )


def _wholeness(cutout: Cutout) -> float:
    """0 to 1 from how nearly it is a solid sheet: runs of letters have holes and gaps that the outline bridges."""
    whole = _rising(solidity(cutout.mask) * cutout.covered, _WHOLENESS_OF_BONE)
    return whole * _rising(cutout.covered, _COVER_OF_BONE)


def ink(small: Small) -> float:
    """How much more the parts that stand out most from the backing do so than the whole: ratio of brightness steps."""
    off = small.off[small.mask > 0]
    middle, high = off.size // 2, int(0.98 * (off.size - 1))
    ordered = np.partition(off, (middle, high))
    return float(ordered[high] / max(ordered[middle], 1e-3))


def strokes(small: Small, step: float) -> float:
    """Share of the thing, its rim left out, that thin strokes cover which stand out far beyond what is about them: by
    more than the share `step` of its usual contrast with the backing.

    Strokes are found as the white top hat does (Meyer 1979): what an opening with a disc takes away.
    """
    pen = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (_STROKE, _STROKE))
    rim = np.ones((2 * _RIM + 1,) * 2, np.uint8)
    within = cv2.erode(small.mask, rim, borderType=cv2.BORDER_CONSTANT, borderValue=0) > 0
    if not within.any():
        return 0.0
    typical = median(small.off[small.mask > 0])
    return float(np.mean(cv2.morphologyEx(small.off, cv2.MORPH_TOPHAT, pen)[within] > step * typical))


def edge_sharpness(thing: Small) -> float:
    """Share of the brightness step that is made within a few percent of the thing's size about its outline."""
    small, mask = thing.off, thing.mask
    inside = cv2.distanceTransform(np.pad(mask, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    outside = cv2.distanceTransform(1 - mask, cv2.DIST_L2, 3)
    deep = small[inside > max(8.0, 0.35 * float(inside.max()))]
    rim = small[(inside > 3.5) & (inside <= 5.5)]
    beyond = small[(outside > 1.5) & (outside <= 3.5)]
    if not (deep.size and rim.size and beyond.size):
        return 1.0
    far = median(beyond)
    whole = median(deep) - far
    return float(np.clip((median(rim) - far) / whole, 0, 1)) if whole > 0 else 0.0


def zones(thing: Small) -> tuple[float, float]:
    """How well zones that copy the margin about a focus explain the brightness: best focus at the outline, and inside.

    Zones of growth are copies of the margin, smaller and smaller towards the focus. So rays from the focus, each scaled
    to its own length, show the same profile; the share of the variance that their mean explains is returned for the
    best focus near the outline (bones) and for the best one deep inside (fish scales and coins have theirs there).
    """
    small, mask = thing.off, thing.mask
    ring = outer_contour(mask > 0).astype(np.float32)
    inside = cv2.distanceTransform(np.pad(mask, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    centre = np.array(np.argwhere(mask).mean(0)[::-1], np.float32)
    at_rim = ring[np.linspace(0, len(ring), _FOCI, endpoint=False).astype(int)]
    at_rim = at_rim + 0.10 * (centre - at_rim)
    deep = np.argwhere(inside > 0.75 * inside.max())[:, ::-1].astype(np.float32)
    deep = deep[:: max(1, len(deep) // 8)]
    shares = _explained(small, mask, np.concatenate([at_rim, deep]))
    return float(shares[: len(at_rim)].max()), float(shares[len(at_rim) :].max())


def _explained(value: Float, mask: NDArray[np.uint8], foci: NDArray[np.float32]) -> Float:
    angle = np.linspace(0, 2 * np.pi, _RAYS, endpoint=False, dtype=np.float32)
    way = np.stack([np.cos(angle), np.sin(angle)], 1)
    reach = np.arange(1, int(1.5 * _SIDE), 2.5, dtype=np.float32)
    points = np.asarray(foci[:, None, None, :] + way[None, :, None, :] * reach[None, None, :, None], np.float32)
    on = _picked(mask, points, cv2.INTER_NEAREST) > 0
    length = np.where(on.any(2), reach[on.shape[2] - 1 - on[:, :, ::-1].argmax(2)], 0.0)
    far = length > 0.6 * length.max(1, keepdims=True)
    part = np.linspace(0.12, 0.93, _SAMPLES, dtype=np.float32)
    along = way[None, :, None, :] * (length[:, :, None] * part)[..., None]
    points = np.asarray(foci[:, None, None, :] + along, np.float32)
    seen = _picked(value, points, cv2.INTER_LINEAR)
    weight = (far[:, :, None] & (_picked(mask, points, cv2.INTER_NEAREST) > 0)).astype(np.float32)
    # Each ray's own level says how thick the bone is there, not where its zones lie.
    level = (seen * weight).sum(2, keepdims=True) / np.maximum(weight.sum(2, keepdims=True), 1)
    seen = (seen - level) * weight
    count = weight.sum(1)
    mean = seen.sum(1) / np.maximum(count, 1)
    total = (seen**2).sum((1, 2)) + 1e-9
    rays = np.maximum(far.sum(1), 1)
    return np.asarray(np.where(rays >= 5, (mean**2 * count).sum(1) / total, 0), np.float32)


def _picked(field: cv2.typing.MatLike, points: Float, how: int) -> Float:
    flat = np.ascontiguousarray(points.reshape(points.shape[0] * points.shape[1], points.shape[2], 2), np.float32)
    seen = cv2.remap(field, flat[..., 0], flat[..., 1], how, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(seen.reshape(points.shape[:3]), np.float32)


def made_small(cutout: Cutout) -> Small:
    """A thing at the size at which its edge and markings are judged."""
    rows, columns = cutout.mask.shape
    shrink = _SIDE / max(rows, columns)
    size = (max(8, round(columns * shrink)), max(8, round(rows * shrink)))
    every = max(1, max(rows, columns) // (2 * _SIDE))
    off = cutout.grey[::every, ::every] - cutout.backing[::every, ::every]
    if not cutout.brighter:
        np.negative(off, out=off)
    small = np.asarray(cv2.resize(off, size, interpolation=cv2.INTER_AREA), np.float32)
    inside = np.ascontiguousarray(cutout.mask[::every, ::every]).view(np.uint8) * np.uint8(255)
    mask = cv2.resize(inside, size, interpolation=cv2.INTER_AREA)
    return Small(small, (mask > 127).astype(np.uint8))


def _overlaps(mask: Mask) -> tuple[float, float]:
    """Overlap (intersection over union) with the rectangle and with the ellipse of the mask's second moments."""
    shrink = min(1.0, _OUTLINE_SIDE / max(mask.shape))
    size = (max(4, round(mask.shape[1] * shrink)), max(4, round(mask.shape[0] * shrink)))
    solid = filled(cv2.resize(mask.view(np.uint8) * np.uint8(255), size, interpolation=cv2.INTER_AREA) > 127)
    rows, columns = np.nonzero(solid)
    if rows.size < 8:
        return 0.0, 0.0
    points = np.stack([columns, rows], 1).astype(np.float64)
    centre = points.mean(0)
    spread, way = np.linalg.eigh(np.cov((points - centre).T) + 1e-6 * np.eye(2))
    # A square has no principal axes, so the sides of the smallest rectangle are tried as well.
    corners = cv2.boxPoints(cv2.minAreaRect(outer_contour(solid)))
    side = (corners[1] - corners[0]) / max(float(np.hypot(*(corners[1] - corners[0]))), 1e-6)
    here = np.pad(solid, 2)
    x = np.arange(-2, size[0] + 2, dtype=np.float32) - np.float32(centre[0])
    y = np.arange(-2, size[1] + 2, dtype=np.float32) - np.float32(centre[1])

    def along(axis: NDArray[np.float64]) -> Float:
        """Squared distance of every pixel along an axis through the centre."""
        return np.asarray((np.float32(axis[0]) * x + np.float32(axis[1]) * y[:, None]) ** 2, np.float32)

    first, second = along(way[:, 0]), along(way[:, 1])
    # Half sides of a uniform rectangle are the root of three standard deviations, half axes of an ellipse two.
    square = _overlap(here, (first <= 3 * spread[0]) & (second <= 3 * spread[1]))
    turned = np.array([[side[0], -side[1]], [side[1], side[0]]])
    wide, high = ((points - centre) @ turned).var(0)
    square = max(square, _overlap(here, (along(turned[:, 0]) <= 3 * wide) & (along(turned[:, 1]) <= 3 * high)))
    return square, _overlap(here, first / np.float32(spread[0]) + second / np.float32(spread[1]) <= 4)


def _overlap(one: Mask, other: Mask) -> float:
    return float(np.count_nonzero(one & other) / np.count_nonzero(one | other))


def _rising(value: float, band: tuple[float, float]) -> float:
    """0 below the band, 1 above it, a smooth step between."""
    t = float(np.clip((value - band[0]) / (band[1] - band[0]), 0, 1))
    return t * t * (3 - 2 * t)


def _falling(value: float, band: tuple[float, float]) -> float:
    return 1 - _rising(value, band)

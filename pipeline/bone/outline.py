"""The exact outline of one bone, at the scan's full resolution."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.bone.backing import Backing
from pipeline.bone.median import median
from pipeline.bone.objects import FAINT_SHARE, NOISE_MULTIPLE, Thing
from pipeline.bone.shape import disc, disc_opened, largest_filled, outer_contour
from pipeline.bone.smoothing import smooth
from pipeline.records import Float, Mask, Scan

_REACH_SHARE = 0.06  # share of a thing's size by which the outline may lie outside the place where it was found
_PAD_PX = 8  # pixels about a bone that its crop includes, at least
_PAD_SHARE = 0.02  # share of the bone's longer side that its crop includes about it
# Share of the brightness step at which the bone ends; half for a sharp edge, less because the margin thins out.
_MARGIN_LEVEL = 0.40
_IN_ONE_PIECE = 0.93  # share of its inner area; less is left when the thing falls apart
_BRIDGE_SHARE = 0.012  # of the thing's size; half as wide as the widest gap that is bridged then: wider than a winter
_LEAST_STEP = 0.008  # brightness; steps below this are quantisation
_LEAST_BLUR_PX = 0.7  # pixels; standard deviation of the smoothing before the outline is drawn, on sharp scans
_MOST_BLUR_PX = 2.0  # pixels; the same where the grain is coarse (photocopies)
_BLUR_PER_GRAIN = 4.0  # pixels of smoothing for each unit of grain over step
_HAIR_SHARE = 0.012  # share of the bone's size; what sticks out thinner than twice this is a hair
_SILENT = 0.04  # brightness; what differs less from the backing's surface is backing


@dataclass(frozen=True, slots=True)
class Cutout:
    """One thing at full resolution. All arrays have one shape (row, column) and share `origin`."""

    origin: tuple[int, int]
    """Scan pixel (x, y) of the top-left pixel."""
    grey: Float
    backing: Float
    mask: Mask
    outline: Float
    """(n, 2) points x, y, scan pixels, to a fraction of a pixel."""
    covered: float
    """Share of the mask, and of the place where the thing was found, that stands out from the backing by itself; the
    rest are holes that were filled, gaps between letters and shadow."""
    kept: float
    """Area of the mask over that of the thing where it was found on the reduced scan: of a bone nearly all remains, of
    stains and scattered print little."""
    brighter: bool
    """The thing is brighter than the backing."""


def cut_out(scan: Scan, backing: Backing, thing: Thing, taken: Mask, scale: float) -> Cutout | None:
    """Cut one thing out of the scan and find where it ends.

    `taken` has the reduced scan's shape: True on this and all other things. `scale` is the scan's pixels per reduced
    pixel. The thin bevelled margin fades into the backing, so it ends where
    its brightness has fallen to `margin_level` of the step between the backing and the bone just inside the margin.
    Returns None when nothing is left.
    """
    height, width = scan.pixels.shape
    rows, columns = thing.mask.shape
    pad = max(_PAD_PX / scale, _PAD_SHARE * max(rows, columns)) + 2
    # The crop is cut along pixels of the reduced scan, so that its fields are enlarged by plain resizing.
    x0, y0 = (max(0, int(start - pad)) for start in thing.origin)
    x1 = min(taken.shape[1], int(thing.origin[0] + columns + pad) + 1)
    y1 = min(taken.shape[0], int(thing.origin[1] + rows + pad) + 1)
    left, top = round(x0 * scale), round(y0 * scale)
    # The reduced scan may end a pixel before the scan does; the crop must not, or no bone would touch that edge.
    right = width if x1 == taken.shape[1] else round(x1 * scale)
    bottom = height if y1 == taken.shape[0] else round(y1 * scale)
    shape = (bottom - top, right - left)
    grey = scan.pixels[top:bottom, left:right].astype(np.float32)
    grey *= np.float32(1 / scan.white)
    under = backing.within((left, top), shape, scale)
    # The reduced scan shows well enough how deep each pixel lies in the thing; half a pixel of it is the margin.
    thing_here = np.zeros((y1 - y0, x1 - x0), np.uint8)
    place = (thing.origin[0] - x0, thing.origin[1] - y0)
    thing_here[place[1] : place[1] + rows, place[0] : place[0] + columns] = thing.mask
    # A border of nothing, as the mask had, ends the thing where the scan does.
    deep = cv2.distanceTransform(np.pad(thing_here, 1), cv2.DIST_L2, 3)[1:-1, 1:-1]
    inside = cv2.resize(deep, shape[::-1], interpolation=cv2.INTER_LINEAR) - np.float32(0.5)
    coarse = inside > 0
    near = _nearest_to(thing_here, taken[y0:y1, x0:x1]).view(np.uint8) * np.uint8(255)
    allowed = cv2.resize(near, shape[::-1], interpolation=cv2.INTER_LINEAR) > 127
    size = float(np.count_nonzero(coarse)) ** 0.5
    if size < 4:
        return None
    core = inside > min(max(1.5, max(0.012 * size, 2.0) / scale), 0.5 * float(inside.max()))

    off = grey - under
    brighter = bool(median(off[::3, ::3][core[::3, ::3]]) > 0)
    away = off[::4, ::4][~(coarse | allowed)[::4, ::4]] if not allowed.all() else off[~coarse][::3]
    away = away[np.abs(away) < _SILENT]
    shift = median(away) if away.size > 50 else 0.0
    under += np.float32(shift)
    off -= np.float32(shift)
    if not brighter:
        np.negative(off, out=off)
    grain = _grain(off, core)
    step, typical = _step_inside(off, core, size, FAINT_SHARE)
    sigma = float(np.clip(_BLUR_PER_GRAIN * grain / max(typical, 1e-3), _LEAST_BLUR_PX, _MOST_BLUR_PX))
    calm = cv2.GaussianBlur(off, (0, 0), sigma)
    noise = 1.4826 * median(np.abs(away - shift)) / max(1.0, 2 * sigma) if away.size > 50 else 0.0
    level = np.maximum(_MARGIN_LEVEL * step, max(NOISE_MULTIPLE * noise, _LEAST_STEP))
    above = calm - cv2.resize(level, shape[::-1], interpolation=cv2.INTER_LINEAR)
    # A shadow that the thing was found with is not part of it, however deep it reaches.
    clear = core & (calm > FAINT_SHARE * typical)
    solid = ((above > 0) | clear) & allowed
    joined = largest_filled(solid.astype(np.uint8))
    if np.count_nonzero(joined) < _IN_ONE_PIECE * np.count_nonzero(core):
        joined = largest_filled((solid | (core & _bridged(solid, _BRIDGE_SHARE * size))).view(np.uint8))
    mask = _without_hairs(joined, max(2, round(_HAIR_SHARE * size)))
    if np.count_nonzero(mask) < 16:
        return None
    whole = mask[::2, ::2] | core[::2, ::2]
    clear = calm[::2, ::2][whole] > FAINT_SHARE * typical
    covered = float(np.mean(clear)) if clear.size else 0.0
    kept = float(np.count_nonzero(mask)) / size**2
    return Cutout((left, top), grey, under, mask, _outline(mask, above, (left, top)), covered, kept, brighter)


def _bridged(solid: Mask, radius: float) -> Mask:
    """The mask with gaps narrower than two radii closed: winters as white as the paper cut a photocopied bone up."""
    every = max(1, int(radius / 3))
    thin = np.pad(solid[::every, ::every].view(np.uint8), 1)
    closed = cv2.morphologyEx(thin, cv2.MORPH_CLOSE, disc(max(1, round(radius / every))))[1:-1, 1:-1]
    return np.asarray(closed.repeat(every, 0).repeat(every, 1)[: solid.shape[0], : solid.shape[1]] > 0)


def _nearest_to(thing: NDArray[np.uint8], taken: Mask) -> Mask:
    """Where a pixel of the reduced crop may belong to the thing: within its reach, and not nearer to another."""
    distance = cv2.distanceTransform(1 - thing, cv2.DIST_L2, 5)
    near = distance <= max(3.0, _REACH_SHARE * float(np.count_nonzero(thing)) ** 0.5)
    others = taken & (thing == 0)
    if others.any():
        near &= distance < cv2.distanceTransform((~others).view(np.uint8), cv2.DIST_L2, 5)
    return np.asarray(near)


def _grain(off: Float, core: Mask) -> float:
    """Standard deviation of fine grain inside the thing: from second differences, which slow changes do not enter."""
    second = off[1::8, 1:-1] - 0.5 * (off[1::8, :-2] + off[1::8, 2:])
    inside = core[1::8, 1:-1]
    return 1.4826 * median(np.abs(second[inside])) / 1.2247 if inside.any() else 0.0


def _step_inside(off: Float, core: Mask, size: float, faint: float) -> tuple[Float, float]:
    """Brightness step between the backing and the bone just inside its margin: everywhere, at a smaller size, (row,
    column); and its median. What is fainter than the share `faint` of the usual step is left out."""
    every = max(1, int(size / 120))
    inner = core[::every, ::every].astype(np.float32)
    value = off[::every, ::every] * inner
    inner *= value > faint * float(value.sum() / max(float(inner.sum()), 1e-6))
    value *= inner
    typical = float(value.sum() / max(float(inner.sum()), 1e-6))
    # A window of a few percent of the bone sees several rays but not the thick base from the far margin.
    near_value, near_weight = smooth(value, 4.0, 4.0), smooth(inner, 4.0, 4.0)
    step = (near_value + 0.02 * typical) / (near_weight + 0.02)
    step = np.asarray(np.maximum(step, 0.3 * typical), np.float32)
    within = step[inner > 0]
    return step, median(within) if within.size else typical


def _without_hairs(mask: Mask, radius: int) -> Mask:
    """The mask without what sticks out thinner than two radii; corners and nicks stay as they are."""
    # Hairs are found on a smaller copy: what remains reaches a radius beyond the smooth outline, so that its own edge
    # need not be exact.
    every = max(1, radius // 2)
    binary = mask.view(np.uint8)
    opened = disc_opened(np.pad(binary[::every, ::every], 1), radius / every)
    grown = (cv2.distanceTransform(1 - opened, cv2.DIST_L2, 3) <= radius / every)[1:-1, 1:-1]
    near = grown.repeat(every, 0).repeat(every, 1)[: mask.shape[0], : mask.shape[1]]
    return largest_filled(near.view(np.uint8) & binary)


def _outline(mask: Mask, above: Float, origin: tuple[int, int]) -> Float:
    """The outermost pixels of the mask, moved outward to where `above` crosses zero."""
    ring = outer_contour(mask).astype(np.float32)
    tangent = np.roll(ring, -2, 0) - np.roll(ring, 2, 0)
    outward = np.stack([tangent[:, 1], -tangent[:, 0]], 1)
    outward /= np.maximum(np.hypot(outward[:, 0], outward[:, 1]), 1e-6)[:, None]
    if _signed_area(ring) < 0:
        outward = -outward
    here, there = (_sampled(above, points) for points in (ring, ring + outward))
    crossing = (here > 0) & (there < 0)
    move = np.where(crossing, here / np.where(crossing, here - there, 1), 0.5).astype(np.float32)
    return np.asarray(ring + move[:, None] * outward + np.array(origin, np.float32), np.float32)


def _signed_area(ring: Float) -> float:
    following = np.roll(ring, -1, 0)
    return 0.5 * float(np.sum(ring[:, 0] * following[:, 1] - following[:, 0] * ring[:, 1]))


def _sampled(field: Float, points: NDArray[np.float32]) -> Float:
    seen = cv2.remap(field, points[None, :, 0], points[None, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen[0], np.float32)

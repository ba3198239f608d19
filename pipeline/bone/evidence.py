"""What shows of each ridge: the numbers that tell annuli from checks, split marks and texture.

Evidence is what the pixels show, not where it lies: no number here is a share of the axis, a size of the bone or a
count of candidates. Those are growth, and belong to the sequence model. `COLUMNS` is the one place where a kind of
evidence is named and computed: add a line there (and a field of `Seen`, if it needs something new), then fit the
weights again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.median import median
from pipeline.bone.ridges import LEAST_FLANK_COVERAGE, Boxes, Ridges, flanks, ridge_response
from pipeline.bone.rim import HOLLOWS_PX, LEVELS_PX, hollows, levels
from pipeline.bone.traced_arcs import Arcs
from pipeline.records import Float, Numbers, RadialProfile

MARGIN_FADE_PX = 6.0
"""Pixels over which the margin's profile loses its say about a mark farther in."""
NEAR_MARGIN_PX = 12.0
"""Pixels from the margin beyond which its nearness no longer matters to what a mark shows."""
BLOCK_SHOWS = 0.35
"""A block shows the mark when its depth is over this share of the mean depth."""
AXIS_DEGREES = 26.0
"""Degrees from the axis over which a block loses its weight: marks are plainest in the middle of the fan."""
FAR_DEGREES = 20.0
"""Blocks farther than this from the axis tell whether a mark goes on to the sides."""
TEXTURE_FLOOR = 0.002
"""Opacity loss; a bone without any texture at all has this."""
TEXTURE_NEAR = 0.12
"""Share of the radius to either side of a ridge in which texture is near."""
TEXTURE_PERCENTILE = 90
"""Of the depths of opposite ridges: what texture reaches now and then."""


LEAST_PLAIN = 1e-12
"""Together weigh so little only ridges that no block shows."""
PLAIN_WITHIN = 0.3
"""Share of the radius, standard deviation of a bell: ridges so near to one another are held against each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What evidence is computed from; arrays are (ridge,) in radial samples and opacity loss unless said otherwise."""

    ridges: Ridges
    samples_per_px: float
    radius_px: float
    margin: float
    """Radial sample."""
    before: Numbers
    """Distance to the candidate before, or to the focus."""
    after: Numbers
    """Distance to the candidate after, or to the margin."""
    t: Numbers
    """Mean depth over the blocks of rays in standard errors."""
    block_share: Numbers
    """Share of the blocks that show the ridge."""
    tenth: Numbers
    low_quartile: Numbers
    high_quartile: Numbers
    """Depth that a tenth, a quarter and three quarters of the blocks stay below."""
    block_mean: Numbers
    block_spread: Numbers
    """Standard deviation of the depth between blocks."""
    arc_run: Numbers
    """Longest run of neighbouring blocks that show it, share of all blocks."""
    far_arc: Numbers
    """Depth at the sides of the fan over the mean."""
    inner_flank: Numbers
    outer_flank: Numbers
    """Contrast against either flank."""
    inner_slope: Numbers
    outer_slope: Numbers
    """Steepness of either side, opacity loss a width."""
    dip: Numbers
    """How far the profile falls between the ridge before and this one."""
    peak: Numbers
    """Level of the ridge over that of the blade."""
    coverage: Numbers
    """Share of the rays that are on the bone here."""
    rim_rise: Numbers
    """How much more translucent the outer half of what lies beyond is than the inner half."""
    returned: Numbers
    returned_t: Numbers
    """How much opacity returns beyond the ridge, and in standard errors over the blocks."""
    margin_levels: tuple[float, ...]
    """As `rim.levels` measures them."""
    hollows_beyond: Numbers
    """(ridge, width) as `rim.hollows` measures them."""
    texture_near: Numbers
    texture_all: Numbers
    """Depth of the bone's texture near the ridge and on the whole blade: how deep ridges of the opposite sign are there
    at the same width. Flattening draws texture into lines of either sign alike; annuli have but one."""
    opaque_beyond: Numbers
    """Share of the rays on which opaque bone is seen beyond, each ray to its own margin."""
    arcs: Arcs

    @property
    def rim_px(self) -> Numbers:
        """Pixels from the outer edge to the margin."""
        return (self.margin - self.ridges.edge) / self.samples_per_px

    @property
    def neighbours(self) -> Numbers:
        """Mean depth of the candidates before and after; at an end the ridge itself stands in."""
        depth = self.ridges.depth
        return np.asarray(0.5 * (np.concatenate([depth[:1], depth[:-1]]) + np.concatenate([depth[1:], depth[-1:]])))

    def against_plain(self, value: Numbers) -> Numbers:
        """How far a value of each ridge lies from that of the plain ridges around it, (ridge,): an annulus looks like
        its neighbours, a check is thinner and fainter. 0 where there is no other ridge."""
        place = self.ridges.edge / self.margin
        plain = (self.ridges.depth * self.block_share) ** 2
        weight = np.exp(-0.5 * ((place[:, None] - place) / PLAIN_WITHIN) ** 2) * plain
        np.fill_diagonal(weight, 0.0)
        total = weight.sum(1)
        usual = (weight @ value) / np.maximum(total, LEAST_PLAIN)
        return np.where(total > LEAST_PLAIN, value - usual, 0.0)

    @property
    def deepest(self) -> Numbers:
        """(rank,) depths of the bone's ridges, the deepest first."""
        return np.sort(self.ridges.depth)[::-1]


def _log(value: Numbers, least: float) -> Numbers:
    return np.asarray(np.log(np.maximum(value, least)))


def _margin_level(k: int) -> Callable[[Seen], Numbers]:
    return lambda s: s.margin_levels[k] * np.exp(-s.rim_px / MARGIN_FADE_PX)


def _hollow(k: int) -> Callable[[Seen], Numbers]:
    return lambda s: s.hollows_beyond[:, k]


COLUMNS: Mapping[str, Callable[[Seen], Numbers]] = {
    "log_depth": lambda s: _log(s.ridges.depth, 1e-3),
    "log_t": lambda s: _log(s.t, 0.05),
    "block_share": lambda s: s.block_share,
    "low_quartile": lambda s: np.log(np.maximum(s.low_quartile, 0) + 0.01),
    "high_quartile": lambda s: np.log(np.maximum(s.high_quartile, 0) + 0.01),
    "weakest_tenth": lambda s: np.clip(s.tenth / np.maximum(s.block_mean, 0.01), -2, 1.5),
    "block_variation": lambda s: np.clip(s.block_spread / np.maximum(s.block_mean, 0.01), 0, 4),
    "arc_run": lambda s: s.arc_run,
    "depth_to_texture_near": lambda s: np.log(s.ridges.depth / (s.texture_near + TEXTURE_FLOOR)),
    "depth_to_texture": lambda s: np.log(s.ridges.depth / (s.texture_all + TEXTURE_FLOOR)),
    "log_roughness_px": lambda s: np.log(s.arcs.roughness_px + 0.05),
    "roughness_to_width": lambda s: np.log((s.arcs.roughness_px + 0.05) * s.samples_per_px / s.ridges.width),
    "arc_bend": lambda s: np.clip(s.arcs.bend, -1, 1),
    "arc_lean": lambda s: np.clip(np.abs(s.arcs.lean), 0, 1),
    "far_arc": lambda s: np.clip(s.far_arc, -1, 3),
    "asymmetry": lambda s: (s.outer_flank - s.inner_flank) / (np.abs(s.outer_flank) + np.abs(s.inner_flank) + 0.02),
    "outer_slope": lambda s: s.outer_slope / np.maximum(s.ridges.depth, 0.01),
    "inner_slope": lambda s: s.inner_slope / np.maximum(s.ridges.depth, 0.01),
    "width_to_gap_before": lambda s: np.log(s.ridges.width / s.before),
    "width_to_gap_after": lambda s: np.log(s.ridges.width / s.after),
    "log_gap_ratio": lambda s: np.log(s.before / s.after),
    "depth_to_neighbours": lambda s: np.log(s.ridges.depth / np.maximum(s.neighbours, 1e-3)),
    "depth_to_strongest": lambda s: np.log(s.ridges.depth / s.deepest[0]),
    "depth_to_third": lambda s: np.log(s.ridges.depth / s.deepest[min(2, len(s.deepest) - 1)]),
    "depth_to_median": lambda s: np.log(s.ridges.depth / np.median(s.ridges.depth)),
    "depth_to_plain": lambda s: s.against_plain(_log(s.ridges.depth, 1e-3)),
    "width_to_plain": lambda s: s.against_plain(np.log(s.ridges.width)),
    "t_to_median": lambda s: np.log(np.maximum(s.t, 0.05) / max(float(np.median(s.t)), 0.05)),
    "log_width_px": lambda s: np.log(s.ridges.width / s.samples_per_px),
    "log_rim_px": lambda s: np.log(np.minimum(s.rim_px, NEAR_MARGIN_PX) + 0.7),
    "coverage": lambda s: s.coverage,
    "dip_before": lambda s: s.dip,
    "peak_level": lambda s: np.clip(s.peak, -2, 2),
    "opaque_beyond": lambda s: s.opaque_beyond,
    "rim_rise": lambda s: s.rim_rise,
    "rim_return": lambda s: np.clip(s.returned / np.maximum(s.ridges.depth, 0.01), -2, 3),
    "rim_return_t": lambda s: np.clip(s.returned_t, -5, 15),
    **{f"margin_{k + 1}": _margin_level(k) for k in range(len(LEVELS_PX))},
    **{f"hollow_{k + 1}": _hollow(k) for k in range(len(HOLLOWS_PX))},
}
"""Name of each kind of evidence to how it is computed, (ridge,)."""

EVIDENCE = tuple(COLUMNS)
"""Names of a mark's evidence, in order."""


def ridge_evidence(profile: RadialProfile, rim: Float, ridges: Ridges, arcs: Arcs, opaque_beyond: Numbers) -> Numbers:
    """Evidence of each ridge, (ridge, evidence) in the order of `EVIDENCE`.

    `rim` is the strip's.
    """
    seen = look(profile, rim, ridges, arcs, opaque_beyond)
    return np.asarray(np.nan_to_num(np.stack([column(seen) for column in COLUMNS.values()], axis=1)))


def texture(boxes: Boxes, at: Numbers, width: Numbers, margin: float) -> tuple[Numbers, Numbers]:
    """Depth of texture near each ridge and on the whole blade, both (ridge,).

    boxes : of the profile. at, width : (ridge,) middles and widths in samples.
    """
    positions = np.arange(0.1 * margin, 0.96 * margin, 2.0)
    where, wide = (a.ravel() for a in np.broadcast_arrays(positions[None, :], width[:, None]))
    left, right = (f[0].reshape(len(at), -1) for f in flanks(boxes, where, wide))
    opposite = np.maximum(np.minimum(-left, -right), 0)
    near = np.abs(positions[None, :] - at[:, None]) < TEXTURE_NEAR * margin
    far = np.percentile(opposite, TEXTURE_PERCENTILE, axis=1)
    own = np.array(
        [np.percentile(o[n], TEXTURE_PERCENTILE) if n.any() else f for o, n, f in zip(opposite, near, far, strict=True)]
    )
    return own, far


def look(profile: RadialProfile, rim: Float, ridges: Ridges, arcs: Arcs, opaque_beyond: Numbers) -> Seen:
    """Measure what the evidence is computed from; arguments as for `ridge_evidence`."""
    spp, margin = profile.samples_per_px, profile.margin
    inside_margin = np.arange(len(profile.value)) <= margin
    blocks = Boxes(profile.blocks, (profile.block_trust * inside_margin).astype(np.float32))
    mean_boxes = Boxes(profile.value[None], np.where(inside_margin, profile.coverage, 0).astype(np.float32)[None])
    at, width, edge = ridges.middle.astype(np.float64), ridges.width, ridges.edge
    by_block = ridge_response(blocks, at, width, margin)
    _, covered = blocks.mean(at - 0.5 * width, at + 0.5 * width)
    weight = np.exp(-0.5 * (profile.block_angle / AXIS_DEGREES) ** 2)[:, None] * (covered > 0.3)
    total = np.maximum(weight.sum(0), 1e-6)
    mean, t = _mean_t(by_block, weight)
    shows = (by_block > BLOCK_SHOWS * np.maximum(mean, 1e-3)) & (weight > 0)
    present = np.where(weight > 0, by_block, np.nan)
    tenth, low, high = (_quantile(present, q) for q in (0.1, 0.25, 0.75))
    far = weight * (np.abs(profile.block_angle) > FAR_DEGREES)[:, None]
    left, right = (f[0] for f in flanks(mean_boxes, at, width))
    inside = np.concatenate([[0.0], edge[:-1]])
    outside = np.concatenate([edge[1:], [margin]])
    end = np.minimum(edge + np.maximum(1.2 * width, 2 * spp), margin)
    core, _ = blocks.mean(at - 0.3 * width, at + 0.7 * width)
    beyond, beyond_seen = blocks.mean(edge + 0.4 * spp, np.maximum(end, edge + 0.8 * spp))
    returned, returned_t = _mean_t(core - beyond, weight * (beyond_seen > LEAST_FLANK_COVERAGE))
    radial = np.arange(len(profile.value))
    texture_near, texture_all = texture(mean_boxes, at, width, margin)
    return Seen(
        ridges=ridges,
        samples_per_px=spp,
        radius_px=margin / spp,
        margin=margin,
        before=np.maximum(edge - inside, 1.0),
        after=np.maximum(outside - edge, 1.0),
        t=t,
        block_share=(shows * weight).sum(0) / total,
        tenth=tenth,
        low_quartile=low,
        high_quartile=high,
        block_mean=mean,
        block_spread=np.sqrt(((by_block - mean) ** 2 * weight).sum(0) / total),
        arc_run=_longest_run(shows) / len(by_block),
        far_arc=(by_block * far).sum(0) / np.maximum(far.sum(0), 1e-6) / np.maximum(mean, 0.01),
        inner_flank=left,
        outer_flank=right,
        inner_slope=_slope(profile.value, at - 0.6 * width, width, rising=True),
        outer_slope=_slope(profile.value, edge, width),
        dip=np.array([_dip(profile.value, a, m) for a, m in zip(inside, at, strict=True)]),
        peak=np.interp(at, radial, profile.value) - median(profile.value[int(0.3 * margin) : int(0.95 * margin) + 1]),
        coverage=np.interp(edge, radial, profile.coverage),
        rim_rise=rim_rise(profile, edge),
        returned=returned,
        returned_t=returned_t,
        margin_levels=levels(rim, margin / spp),
        hollows_beyond=hollows(rim, margin / spp, (margin - edge) / spp),
        texture_near=texture_near,
        texture_all=texture_all,
        opaque_beyond=opaque_beyond,
        arcs=arcs,
    )


def _mean_t(value: Numbers, weight: Numbers) -> tuple[Numbers, Numbers]:
    """Weighted mean over blocks and how many of its standard errors it is from nothing, both (ridge,)."""
    total = np.maximum(weight.sum(0), 1e-6)
    mean = (value * weight).sum(0) / total
    spread = ((value - mean) ** 2 * weight).sum(0) / total
    effective = np.maximum(total**2 / np.maximum((weight**2).sum(0), 1e-9), 1.5)
    return mean, mean / np.sqrt(spread / (effective - 1) + 1e-6)


def _quantile(value: Numbers, q: float) -> Numbers:
    """Quantile over the blocks that are there, (ridge,); 0 where none is."""
    ordered = np.sort(value, axis=0)  # nan last
    count = np.isfinite(value).sum(0)
    where = np.clip(np.round(q * (count - 1)).astype(int), 0, len(value) - 1)
    return np.asarray(np.nan_to_num(np.take_along_axis(ordered, where[None], axis=0)[0]))


def _longest_run(shows: NDArray[np.bool_]) -> Numbers:
    """Longest run of neighbouring blocks that show the mark, (ridge,)."""
    best = np.zeros(shows.shape[1])
    run = np.zeros(shows.shape[1])
    for row in shows:
        run = np.where(row, run + 1, 0)
        best = np.maximum(best, run)
    return best


def _slope(value: Float, where: Numbers, width: Numbers, rising: bool = False) -> Numbers:
    """Change of the profile over a quarter of a width about a place, per width."""
    at = np.arange(len(value))
    half = np.maximum(0.125 * width, 0.75)
    change = np.interp(where - half, at, value) - np.interp(where + half, at, value)
    return np.asarray((-change if rising else change) * width / (2 * half))


def _dip(value: Float, start: float, middle: float) -> float:
    """How far the profile falls between the mark before and this one's peak: 0 when two marks run into one another."""
    low, high = int(start), int(middle) + 1
    if high <= low + 1:
        return 0.0
    return float(np.clip(value[high - 1] - value[low:high].min(), 0, 2))


def rim_rise(profile: RadialProfile, edge: Numbers) -> Numbers:
    """How much more translucent the outer half of what lies beyond each place is than the inner half: a winter zone
    under way at the margin."""
    value, margin = profile.value.astype(np.float64), profile.margin
    cumulative = np.concatenate([[0.0], np.cumsum(value)])
    end = np.minimum(margin - profile.samples_per_px, len(value) - 1.0)
    at = np.arange(len(cumulative))

    def mean(a: Numbers, b: Numbers) -> Numbers:
        return np.asarray((np.interp(b, at, cumulative) - np.interp(a, at, cumulative)) / np.maximum(b - a, 0.5))

    half = np.maximum(edge, 0.5 * (edge + end))
    last = np.maximum(half, end - 0.25 * (end - edge))
    return np.where(
        end > edge + 2, np.clip(mean(last, np.full_like(last, end)) - mean(edge + 0.2 * (half - edge), half), -2, 2), 0
    )

"""Bone readings, dates and lengths -> the arrays that the sequence model works on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pipeline.bone.marks import EVIDENCE
from pipeline.bone.quadratic_logit import quadratic, weighted
from pipeline.bone.rim import HOLLOWS_PX, LEVELS_PX
from pipeline.counting.increments import next_increment, second_year_share
from pipeline.counting.season import formed_log_odds, possible_days, rim_log_density, season_table
from pipeline.counting.sequence import IMPOSSIBLE, MOST_CANDIDATES, Chains, Numbers
from pipeline.records import MM_PER_INCH, BoneReading, Captured, Specimen
from pipeline.settings import Settings
from pipeline.settings_second_pass import EvidenceModel, GrowthSettings, SeasonSettings

_DEPTH, _WIDTH, _WINTER = EVIDENCE.index("log_depth"), EVIDENCE.index("log_width"), EVIDENCE.index("rim_rise")
_HOLLOWS = [EVIDENCE.index(f"hollow_{k}") for k in range(1, len(HOLLOWS_PX) + 1)]
_SHARES = np.linspace(np.log(0.005), np.log(3.0), 80)
"""Log shares of an increment at which the season's density is tabled; between them it is smooth."""
BASE_ZONE, MARGIN_ZONE = 0.40, 0.94
"""Shares of the axis below and above which evidence may weigh otherwise: thick base, thin margin."""
ZONE_WIDTH = 0.04
"""Share of the axis over which a zone fades into the blade."""


@dataclass(frozen=True, slots=True)
class Bone:
    """One bone as the chain sees it."""

    evidence: Numbers
    """(candidate, evidence)."""
    fraction: Numbers
    """(candidate,) ascending."""
    radius_px: float
    base: float
    margin_levels: tuple[float, ...]
    """As `bone.rim.levels` tells them."""
    hollows: tuple[float, ...]
    """As `bone.rim.hollows` tells them, all that the margin shows."""
    first_length_share: float
    """Share of the axis at which the first annulus is expected, from the fish's length; nan when not known."""
    captured: Captured | None
    growth: GrowthSettings
    season: SeasonSettings


def bone_of(
    specimen: Specimen, reading: BoneReading, settings: Settings, first_year_length_mm: float | None = None
) -> Bone:
    """One bone with what its specimen's row and its species' settings say."""
    species = settings.species_of(specimen.species)
    radius_px = reading.axis.radius_px if reading.axis else 1.0
    marks = reading.marks
    evidence = np.array([m.evidence for m in marks], np.float64).reshape(len(marks), len(EVIDENCE))
    first_mm = first_year_length_mm or species.growth.first_year_length_mm
    return Bone(
        evidence=evidence,
        fraction=np.array([m.fraction for m in marks], np.float64),
        radius_px=radius_px,
        base=reading.traits.get("base", 0.0),
        margin_levels=tuple(reading.traits.get(f"margin_{k}", 0.0) for k in range(1, len(LEVELS_PX) + 1)),
        hollows=tuple(reading.traits.get(f"hollow_{k}", 0.0) for k in range(1, len(HOLLOWS_PX) + 1)),
        first_length_share=expected_first_share(specimen.length_mm, radius_px, reading.dpi, first_mm, species.growth),
        captured=specimen.captured,
        growth=species.growth,
        season=species.season_of(specimen.water),
    )


def expected_first_share(
    length_mm: float | None, radius_px: float, dpi: float | None, first_year_length_mm: float, growth: GrowthSettings
) -> float:
    """Share of the axis at which the first annulus is expected (Dahl-Lea); nan without length and resolution."""
    if length_mm is None and dpi is not None:
        length_mm = radius_px / dpi * MM_PER_INCH / growth.bone_share_of_length
    return first_year_length_mm / length_mm if length_mm else float("nan")


def evidence_features(evidence: Numbers, model: EvidenceModel) -> Numbers:
    """(candidate, feature): the evidence standardised, its squares and products, and itself again in base and margin
    zone."""
    z, base, margin = _standardised(evidence, model)
    one = np.ones((len(z), 1))
    linear = np.concatenate([one, z], axis=1)
    return np.concatenate([one, quadratic(z), linear * base[:, None], linear * margin[:, None]], axis=1)


def evidence_log_odds(evidence: Numbers, model: EvidenceModel) -> Numbers:
    """(candidate,) log odds of each from its own evidence: `evidence_features` times the weights."""
    z, base, margin = _standardised(evidence, model)
    zone = 1 + z.shape[1]
    anywhere, at_base, at_margin = np.split(np.array(model.weights), [-2 * zone, -zone])
    own = anywhere[0] + weighted(z, anywhere[1:])
    return np.asarray(own + base * (at_base[0] + z @ at_base[1:]) + margin * (at_margin[0] + z @ at_margin[1:]))


def _standardised(evidence: Numbers, model: EvidenceModel) -> tuple[Numbers, Numbers, Numbers]:
    """The evidence in standard deviations from its centre, and how much each candidate lies in base and margin zone."""
    z = np.clip((evidence - np.array(model.centre)) / np.array(model.scale), -model.reach, model.reach)
    fraction = evidence[:, EVIDENCE.index("fraction")]
    base = 1 / (1 + np.exp((fraction - BASE_ZONE) / ZONE_WIDTH))
    margin = 1 / (1 + np.exp(-(fraction - MARGIN_ZONE) / (ZONE_WIDTH / 4)))
    return z, base, margin


def chains(bones: Sequence[Bone], log_odds: Sequence[Numbers]) -> tuple[Chains, NDArray[np.int64]]:
    """The chain's arrays, and for each bone which of its candidates take part: (bone, candidate), -1 where padded.

    log_odds : for each bone, the log odds of its candidates from their own evidence.
    """
    count = len(bones)
    room = min(max((len(odds) for odds in log_odds), default=1), MOST_CANDIDATES) or 1
    kept = [_likeliest(odds) for odds in log_odds]
    sizes = np.array([len(k) for k in kept], np.int64)
    at = np.repeat(np.arange(count), sizes), _ordinals(sizes)
    evidence = _joined([b.evidence[k] for b, k in zip(bones, kept, strict=True)], (len(EVIDENCE),))
    chosen, node = np.full((count, room), -1), np.full((count, room), IMPOSSIBLE)
    chosen[at] = _joined(kept)
    node[at] = np.clip(_joined([o[k] for o, k in zip(log_odds, kept, strict=True)]), -12, 12)
    place = np.broadcast_to(1.0 + 0.01 * np.arange(1, room + 1), node.shape).copy()
    place[at] = np.minimum(_joined([b.fraction[k] for b, k in zip(bones, kept, strict=True)]), 0.9999)
    log_depth, log_width, winter = np.zeros(node.shape), np.full(node.shape, -4.0), np.zeros(node.shape)
    log_depth[at], log_width[at], winter[at] = evidence[:, (_DEPTH, _WIDTH, _WINTER)].T
    beyond = np.zeros((*node.shape, len(HOLLOWS_PX)))
    beyond[at] = evidence[:, _HOLLOWS]
    growth_rate = np.array([b.growth.growth_rate for b in bones])
    second = np.array([second_year_share(b.growth, b.growth.first_year_length_mm) for b in bones])
    expected_first = np.maximum(place * second[:, None], 1e-3)
    expected_first = np.stack([expected_first, 0.6 * expected_first], axis=1)  # after a hidden first, j is the second
    gap = place[:, None, :] - np.concatenate([np.zeros((count, 2)), place], axis=1)[:, 2:, None]
    # The increment before (i, j) depends on the mark before i; the species' rate stands in for it.
    expected = np.asarray(
        next_increment(
            np.maximum(gap, 1e-3) * np.exp(growth_rate)[:, None, None],
            np.maximum(gap, 1e-3),
            growth_rate[:, None, None],
        )
    )
    dated = [_season(b.captured, _likely_count(o), b.season) for b, o in zip(bones, log_odds, strict=True)]
    table = np.array([density for density, _ in dated]).reshape(count, len(_SHARES))
    rim = np.clip(1 - place, 1e-3, 1)[:, None, :]
    arrays = Chains(
        node=node,
        place=place,
        log_depth=log_depth,
        log_width=log_width,
        winter=winter,
        radius_px=np.array([b.radius_px for b in bones]),
        base=np.array([b.base for b in bones]),
        margin_levels=np.array([b.margin_levels for b in bones]).reshape(count, len(LEVELS_PX)),
        hollows=np.array([b.hollows for b in bones]).reshape(count, len(HOLLOWS_PX)),
        hollows_beyond=beyond,
        first_place=np.log(np.array([b.first_length_share for b in bones])),
        due=np.array([due for _, due in dated]),
        season=_lookup(table, rim, expected),
        expected=expected,
        season_first=_lookup(table, rim, expected_first),
        expected_first=expected_first,
    )
    return arrays, chosen


def _likeliest(log_odds: Numbers) -> NDArray[np.int64]:
    """The candidates that take part, ascending."""
    if len(log_odds) <= MOST_CANDIDATES:
        return np.arange(len(log_odds))
    return np.sort(np.argsort(-log_odds, kind="stable")[:MOST_CANDIDATES])


def _joined(parts: Sequence[NDArray[np.generic]], shape: tuple[int, ...] = ()) -> Numbers:
    """The parts one after the other; `shape` is that of one row, for where there are no parts."""
    return np.concatenate(parts) if parts else np.zeros((0, *shape))


def _ordinals(sizes: NDArray[np.int64]) -> NDArray[np.int64]:
    """0, 1, ... for each of several groups, one after the other."""
    ends = np.cumsum(sizes)
    return np.arange(sizes.sum()) - np.repeat(ends - sizes, sizes)


def _likely_count(log_odds: Numbers) -> int:
    return int(np.round((1 / (1 + np.exp(-log_odds))).sum()))


@lru_cache(maxsize=8192)
def _season(captured: Captured | None, annuli: int, season: SeasonSettings) -> tuple[Numbers, float]:
    """Log density of the rim at `_SHARES`, and the log odds that this year's annulus has formed (0 without a date)."""
    density = np.asarray(rim_log_density(np.exp(_SHARES), captured, annuli, season))
    if captured is None:
        return density, 0.0
    odds = formed_log_odds(annuli, possible_days(captured, season).day, season_table(season))
    return density, float(np.clip(np.mean(odds), -4, 4))


def _lookup(table: Numbers, rim: Numbers, expected: Numbers) -> Numbers:
    """Log density of the rim per unit of the axis, (bone, i, j)."""
    share = np.log(np.maximum(rim / np.maximum(expected, 1e-4), 1e-4))
    at = np.clip((share - _SHARES[0]) / (_SHARES[1] - _SHARES[0]), 0, len(_SHARES) - 1.001)
    low = at.astype(np.int64)
    part = at - low
    row = np.arange(len(table)).reshape(-1, *(1,) * (at.ndim - 1))
    density = table[row, low] * (1 - part) + table[row, low + 1] * part
    return np.asarray(np.clip(density - np.log(np.maximum(expected, 1e-3)), -8, 5))

"""Do bone, fish and count belong together? Checks of size, growth and sides over the whole run.

A check here sends a bone to a person, so it must be rare among right bones and sure among swapped ones: wide limits,
and the run's own bones as the measure wherever there are enough of them, because waters differ more than species do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.names import folded
from pipeline.records import MM_PER_INCH, Mask, Numbers
from pipeline.settings.second_pass import GrowthSettings, ReviewSettings
from pipeline.settings.whole import Settings
from pipeline.together.keys import Keys, groups, key_of

SLOPE_SPREAD = 0.1
"""Standard deviation, about 1, of the power of length that bone size follows: opercles grow nearly in proportion
(straight lines, or powers near 1, are what studies of percid bones report)."""
SPREAD_BELIEF = 12
"""Bones with the least spread that are reckoned in with a group's own when its spread is estimated."""
BISQUARE = 4.685
"""Tukey's constant: residuals beyond so many deviations have no weight; 95 % efficient on normal ones."""
FIT_ROUNDS = 8
"""Reweighted fits; the weights of practice runs stand still after four."""
MAD_TO_DEVIATION = 1.4826
"""Median absolute deviation to standard deviation, for a normal distribution."""
LEAST_INCREMENTS = 4
"""Increments from which on a trend over the years can be told from chance."""
TREND_DEVIATIONS = 2.5
"""Standard errors by which a trend must exceed nothing: one irregular grower in a hundred and sixty does by chance."""
HALF_GROWN = 0.5
"""Share of the year's increment taken when the margin is not known: an error of half a year at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What the checks need of one bone."""

    fish: str
    scan: str
    species: str
    water: str
    length_mm: float | None
    dpi: float | None
    radius_px: float | None
    """None when the bone has no axis."""
    radii_px: tuple[float, ...] = ()
    """Of the counted annuli, the smallest first; inferred ones included."""
    annuli: int | None = None
    """None when the bone is not aged."""
    margin_share: float = math.nan
    """Growth beyond the last annulus over the increment expected; NaN when not known."""


@dataclass(frozen=True, slots=True)
class Measures:
    """What is compared of many bones, in eighty bytes each; all arrays (bone,)."""

    fish: Keys
    species: Keys
    water: Keys
    """Of species and water together."""
    scale: Keys
    """0 where bones are measured in millimetres; of the scan where only its own bones can be compared, in pixels."""
    size: Numbers
    """Logarithm of bone size over what the species' settings expect of this length; NaN when not known."""
    size_spread: Numbers
    """By the settings of the species."""
    length: Numbers
    """Logarithm; NaN when not known."""
    first_year: Numbers
    """First-year length against the species', in standard deviations; NaN when not known."""
    at_age: Numbers
    """The same of the length at this count."""
    annuli: NDArray[np.int64]
    """-1 when the bone is not aged."""
    impossible: Mask
    """More annuli than the species carries, or increments that grow from year to year."""


def measures(bones: Sequence[Measured], settings: Settings) -> Measures:
    """What is compared of some bones."""
    growths = [settings.species_of(b.species).growth for b in bones]
    aged = [b.annuli is not None for b in bones]
    species = [folded(b.species.strip()) for b in bones]
    each = list(zip(bones, growths, aged, strict=True))
    sizes = [_size(b, growth.bone_share_of_length) for b, growth, _ in each]
    most_trend = settings.review.most_increment_trend
    return Measures(
        fish=_keys([key_of(b.fish) for b in bones]),
        species=_keys([key_of(name) for name in species]),
        water=_keys([key_of(name, folded(b.water.strip())) for name, b in zip(species, bones, strict=True)]),
        scale=_keys([0 if b.dpi else key_of(b.scan) for b in bones]),
        size=np.array(sizes, np.float64),
        size_spread=np.array([growth.bone_share_spread for growth in growths], np.float64),
        length=np.array([math.log(b.length_mm) if b.length_mm else math.nan for b in bones], np.float64),
        first_year=np.array([_first_year_deviation(b, g) if a else math.nan for b, g, a in each], np.float64),
        at_age=np.array([_length_deviation(b, g) for b, g, _ in each], np.float64),
        annuli=_keys([-1 if b.annuli is None else b.annuli for b in bones]),
        impossible=np.array(
            [
                b.annuli is not None and (b.annuli > g.most_annuli or _grows_faster_every_year(b.radii_px, most_trend))
                for b, g, _ in each
            ],
            bool,
        ),
    )


def joined(parts: Sequence[Measures]) -> Measures:
    """One after the other."""
    return Measures(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(Measures)))


def _keys(numbers: list[int]) -> Keys:
    return np.array(numbers, np.int64)


def _size(b: Measured, share: float) -> float:
    if not b.length_mm or not b.radius_px:
        return math.nan
    return math.log(b.radius_px * (MM_PER_INCH / b.dpi if b.dpi else 1.0) / share / b.length_mm)


# ------------------------------------------------------------------------------------------------ size
def size_mismatches(bones: Measures, review: ReviewSettings) -> Mask:
    """(bone,): the bone's size does not fit the fish's length.

    Compared with the run's own bones on a robust line through log size over log length: with those of the same species
    where there are `review.least_run_bones`, else with those of all species, each taken relative to its settings; in
    millimetres, or, where there is no resolution, in pixels with the bones of the same scan. In a smaller run the
    settings alone must do. A bone without length, axis or anything to compare with is never flagged.
    """
    size, length = bones.size, bones.length
    flags = np.zeros(len(size), dtype=bool)
    known = np.flatnonzero(~np.isnan(size))
    for of_scale in groups(bones.scale, known):
        for members in groups(bones.species, of_scale):
            peers = members if len(members) >= review.least_run_bones else of_scale
            if len(peers) >= review.least_run_bones:
                centre, slope, spread = _robust_line(length[peers], size[peers], review.least_size_spread)
                residual = size[members] - centre - slope * length[members]
            elif bones.scale[members[0]] == 0:
                residual, spread = size[members], float(bones.size_spread[members[0]])
            else:
                continue
            flags[members] = np.abs(residual) > review.most_size_deviations * spread
    return flags


def _robust_line(x: Numbers, y: Numbers, least_spread: float) -> tuple[float, float, float]:
    """A robust line y = centre + slope x, slope near 0, and the standard deviation about it.

    Starts from slope 0 and the median, so that a third of swapped bones cannot lead it astray; Tukey's bisquare
    weights. In small groups the deviation is drawn towards `least_spread`: two swapped bones among eight would
    otherwise pass for a wide spread.
    """
    centre, slope, spread = float(np.median(y)), 0.0, least_spread
    for _ in range(FIT_ROUNDS):
        residual = y - centre - slope * x
        own = max(MAD_TO_DEVIATION * float(np.median(np.abs(residual))), least_spread)
        spread = math.sqrt((len(x) * own**2 + SPREAD_BELIEF * least_spread**2) / (len(x) + SPREAD_BELIEF))
        weight = np.clip(1 - (residual / (BISQUARE * spread)) ** 2, 0, None) ** 2
        total = weight.sum()
        mean_x, mean_y = float(weight @ x / total), float(weight @ y / total)
        belief = (spread / SLOPE_SPREAD) ** 2
        dx = x - mean_x
        slope = float(weight @ (dx * (y - mean_y))) / (float(weight @ (dx * dx)) + belief)
        centre = mean_y - slope * mean_x
    return centre, slope, spread


# ------------------------------------------------------------------------------------------------ growth
def unlikely_growth(bones: Measures, review: ReviewSettings) -> Mask:
    """(bone,): count and increments are not those of the species.

    More annuli than the species carries; a first-year length (Dahl-Lea) or a length at this count far from what species
    and run lead to expect; or increments that grow from year to year. Bones that are not aged are never flagged.
    """
    flags = bones.impossible.copy()
    for deviation in (bones.first_year, bones.at_age):
        z = _against_run(deviation, bones, review.least_run_bones)
        flags |= np.abs(np.nan_to_num(z)) > review.most_growth_deviations
    return flags


def _first_year_deviation(b: Measured, growth: GrowthSettings) -> float:
    """First-year length, by proportion, against the species', in standard deviations of its logarithm."""
    if not b.radii_px or not b.radius_px or b.radii_px[0] <= 0:
        return math.nan
    if b.length_mm:
        length = b.length_mm * b.radii_px[0] / b.radius_px
    elif b.dpi:
        length = b.radii_px[0] * MM_PER_INCH / b.dpi / growth.bone_share_of_length
    else:
        return math.nan
    return math.log(length / growth.first_year_length_mm) / growth.first_year_spread


def _length_deviation(b: Measured, growth: GrowthSettings) -> float:
    """Length against the species' at this count, in standard deviations of its logarithm.

    Von Bertalanffy through the first-year length; the spread of first-year lengths fades as fish grow.
    """
    if b.annuli is None or not b.length_mm:
        return math.nan
    share = HALF_GROWN if math.isnan(b.margin_share) else min(b.margin_share, 1.0)
    later = max(b.annuli + share - 1, 0.0)
    still = math.exp(-growth.growth_rate * later)
    left = max(growth.largest_length_mm - growth.first_year_length_mm, 0.0)
    expected = growth.first_year_length_mm + left * (1 - still)
    if b.annuli == 0 and b.length_mm < expected:
        return math.nan  # before its first winter a fish may be as small as it likes
    spread = math.hypot(
        growth.length_at_age_spread, growth.first_year_spread * still * growth.first_year_length_mm / expected
    )
    return math.log(b.length_mm / expected) / spread


def _against_run(deviation: Numbers, bones: Measures, least: int) -> Numbers:
    """Deviations about the run's own middle and in its own spread: of the species in its water, or in all waters.

    Both are taken as if `least` more bones followed the settings, so that a few bones hardly move them. With fewer than
    `least` bones the settings stand.
    """
    out = deviation.copy()
    for of_species in groups(bones.species, np.flatnonzero(~np.isnan(deviation))):
        for members in groups(bones.water, of_species):
            peers = deviation[members if len(members) >= least else of_species]
            if len(peers) >= least:
                own = len(peers) / (len(peers) + least)
                middle = float(np.median(peers))
                spread = MAD_TO_DEVIATION * float(np.median(np.abs(peers - middle)))
                out[members] = (deviation[members] - own * middle) / math.sqrt(own * spread**2 + 1 - own)
    return out


def _grows_faster_every_year(radii: Sequence[float], most_trend: float) -> bool:
    """The logarithm of the increments rises with the years: steeper than `most_trend` a year, and not by chance."""
    if len(radii) < LEAST_INCREMENTS:
        return False
    increment = np.log(np.maximum(np.diff(np.asarray(radii), prepend=0.0), 1e-6))
    year = np.arange(len(increment)) - (len(increment) - 1) / 2
    power = float(year @ year)
    slope = float(year @ increment) / power
    rest = increment - increment.mean() - slope * year
    error = math.sqrt(float(rest @ rest) / (len(increment) - 2) / power)
    return slope > most_trend and slope > TREND_DEVIATIONS * error


# ------------------------------------------------------------------------------------------------ sides
def sides_that_differ(bones: Measures) -> Mask:
    """(bone,): another aged bone of the same fish has another count. All aged bones of that fish are flagged."""
    flags = np.zeros(len(bones.fish), dtype=bool)
    aged = np.flatnonzero(bones.annuli >= 0)
    if len(aged):
        _, fish = np.unique(bones.fish[aged], return_inverse=True)
        least, most = np.full(len(aged), np.iinfo(np.int64).max), np.full(len(aged), -1)
        np.minimum.at(least, fish, bones.annuli[aged])
        np.maximum.at(most, fish, bones.annuli[aged])
        flags[aged] = least[fish] != most[fish]
    return flags

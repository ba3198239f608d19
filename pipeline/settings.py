"""All settings of a run, typed and frozen: which there are and which values are allowed.

Values, units and their reasons live in configs/*.toml, which `settings_files` reads.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from datetime import date
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

Fraction = Annotated[float, Field(ge=0, le=1)]
Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Count = Annotated[int, Field(ge=0)]
Band = tuple[float, float]
"""From and to: a measure below the first says no, above the second yes, or the other way round."""


def _day_of_year(text: str) -> str:
    try:
        date(2001, int(text[:2]), int(text[3:]))
    except ValueError:
        raise ValueError(f"{text} is no day of the year; write MM-DD, as 04-15") from None
    return text


MonthDay = Annotated[
    str,
    Field(pattern=r"^\d\d-\d\d$", description='a day of the year, MM-DD in quotes, as "04-15"'),
    AfterValidator(_day_of_year),
]


class Section(BaseModel):
    """A group of keys. Unknown keys are refused; nothing can be changed after reading."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class ScanSettings(Section):
    """Reading scan files."""

    most_megapixels: Positive
    least_pixels: Count
    least_dpi: Positive
    most_dpi: Positive
    doubtful_dpi: tuple[float, ...]


class SegmentSettings(Section):
    """Finding bones on a scan."""

    finding_px: Annotated[int, Field(ge=200)]
    finding_reduction: Annotated[float, Field(ge=1)]
    finding_most_px: Annotated[int, Field(ge=400)]
    backing_grid_px: Annotated[int, Field(ge=32, le=512)]
    frames_at_most: Annotated[int, Field(ge=0, le=3)]
    lid_share: Fraction
    lid_contrast: Fraction
    frame_contrast: Fraction
    frame_share: Fraction
    frame_fill: Fraction
    surely_dark: Fraction
    surely_bright: Fraction
    noise_multiple: Positive
    finding_contrast_share: Fraction
    least_contrast: Fraction
    enough_contrast: Fraction
    least_side_px: Positive
    least_letter_px: Positive
    letter_gap: Positive
    least_peers: Annotated[int, Field(ge=1)]
    word_of_largest: Fraction
    letter_of_largest: Fraction
    solidity_of_comb: Fraction
    line_tolerance: Fraction
    solidity_of_text: Fraction
    hole_share: Fraction
    faint_percentile: Annotated[float, Field(ge=0, le=100)]
    faint_share: Fraction
    thin_share: Fraction
    surely_one: Fraction
    neck_share: Fraction
    body_share: Fraction
    parting_gain: Fraction
    reach_share: Fraction
    pad_px: Count
    pad_share: Fraction
    margin_level: Annotated[float, Field(gt=0, lt=1)]
    least_step: Fraction
    least_blur_px: Positive
    most_blur_px: Positive
    blur_per_grain: NotNegative
    hair_share: Fraction
    squareness_of_paper: Band
    aspect_of_ruler: Band
    roundness_of_coin: Band
    solidity_of_bone: Band
    solidity_of_letter: Band
    flatness_of_letter: Band
    edge_of_frame: Band
    sharpness_of_bone: Band
    smallness_of_bone: Band
    faintness_of_bone: Band
    zones_of_bone: Band
    plain_zones: Band
    zones_of_scale: Band
    strokes_of_print: Band
    wholeness_of_bone: Band
    kept_of_bone: Band
    cover_of_bone: Band
    ink_of_print: Band
    plainly_not: Fraction
    likely: Fraction
    plainly_bone: Fraction
    cut_px: Annotated[int, Field(ge=1)]
    grey_backing: Fraction
    grey_backing_width: Positive
    bone_side_weight: NotNegative
    most_tilt_degrees: Annotated[int, Field(ge=0, le=20)]
    row_gap_share: Positive
    tall_share: Positive
    row_cost: NotNegative
    tilt_cost: NotNegative


class Logit(Section):
    """Weights of a logit over standardised features, their squares and products; fitted by `tests/accuracy/fit.py`."""

    centre: tuple[float, ...]
    scale: tuple[float, ...]
    weights: tuple[float, ...]
    constant: float = 0.0
    """Added to the score; a choice among candidates needs none."""
    reach: Positive
    """Standardised features are cut at this, so that an odd bone cannot run away along a square."""


class FocusSettings(Section):
    """Finding focus and growth axis."""

    outline: Logit
    full: Logit
    unsure_below: Fraction


class UnwrapSettings(Section):
    """Unwrapping and flattening."""

    working_px: Positive
    half_angle: Annotated[float, Field(ge=10, le=80)]
    ray_spacing: Annotated[float, Field(ge=0.1, le=2)]
    samples_per_px: Positive
    least_samples: Annotated[int, Field(ge=100)]
    most_samples: Annotated[int, Field(ge=100, le=4000)]
    envelope_degrees: Positive
    envelope_sigma_degrees: Positive
    rim_px: NotNegative
    slope_sigma_rays: Positive
    slope_sigmas: tuple[Positive, ...]
    register_rays: tuple[Positive, ...]
    register_sigmas: tuple[Positive, ...]
    register_ridge: NotNegative
    most_shift: Fraction


class ProfileSettings(Section):
    """The radial profile."""

    block_degrees: Positive
    weight_degrees: Positive
    trend_share: Fraction
    outlier_mads: Positive
    least_coverage: Fraction
    margin_beyond_px: NotNegative


class MarksSettings(Section):
    """Candidate marks."""

    narrowest_px: Positive
    widest: Fraction
    width_step: Annotated[float, Field(gt=1, le=3)]
    least_depth: NotNegative
    arc_every: Annotated[int, Field(ge=1)]


class ReadingSettings(Section):
    """When what the pixels show sends a bone to a person."""

    damaged_above: Fraction
    blurred_above_px: Positive
    lighting_unsure_below: Fraction
    no_bone_below: Fraction


class EvidenceModel(Section):
    """Log odds of each candidate from its evidence; fitted, see DEVELOPERS.md."""

    centre: tuple[float, ...]
    scale: tuple[float, ...]
    reach: Positive
    weights: tuple[float, ...]


class CountSettings(Section):
    """From evidence to the distribution of the count; weights fitted, see DEVELOPERS.md."""

    weights: Mapping[str, float]
    """By name, as `together.sequence.FEATURES` lists them."""
    first_year_bones: NotNegative


class NamedWeights(Section):
    """Weights of a small logit by name; fitted, see DEVELOPERS.md."""

    weights: Mapping[str, float]


class GrowthSettings(Section):
    """What growth is expected of a species; in general.toml, of any percid."""

    bone_share_of_length: Positive
    bone_share_spread: Positive
    first_year_length_mm: Positive
    first_year_spread: Positive
    length_at_age_spread: Positive
    largest_length_mm: Positive
    growth_rate: Positive
    most_annuli: Annotated[int, Field(ge=1, le=60)]


class SeasonSettings(Section):
    """When the annulus forms and when a fish has its birthday; in general.toml, of any percid in the north."""

    hemisphere: Literal["north", "south"]
    birthday: MonthDay
    forming_begins: MonthDay
    forming_ends: MonthDay
    growth_ends: MonthDay
    forming_later_per_annulus_days: Annotated[float, Field(ge=0, le=30)]
    increment_spread: Annotated[float, Field(gt=0, le=2)]
    margin_noise: Annotated[float, Field(gt=0, le=1)]
    margin_outliers: Annotated[float, Field(gt=0, le=0.5)]
    date_outliers: Annotated[float, Field(gt=0, le=0.5)]
    translucent_before_forming: Fraction
    translucent_while_growing: Fraction

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.forming_begins < self.forming_ends < self.growth_ends:
            raise ValueError(
                "forming_begins, forming_ends and growth_ends must follow each other in the year; "
                "give northern dates, hemisphere moves them"
            )
        return self


class ReviewSettings(Section):
    """What sends a bone to a person, and how many more are read as a check."""

    accepted_error: Fraction
    blind_share: Fraction
    blind_salt: str
    first_year_doubt: Fraction
    least_confidence: Fraction
    least_age_probability: Fraction
    least_translucent_probability: Fraction
    least_gap_px: NotNegative
    least_resolved_px: NotNegative
    least_run_bones: Annotated[int, Field(ge=3)]
    most_size_deviations: Positive
    least_size_spread: Positive
    most_growth_deviations: Positive
    most_increment_trend: Positive


class RefitSettings(Section):
    """Refitting evidence and confidence to people's counts."""

    least_bones: Annotated[int, Field(ge=10)]
    enough_bones: Annotated[int, Field(ge=10)]
    most_bones: Annotated[int, Field(ge=10)]
    least_probability: Fraction
    evidence_spread: Positive
    product_spread: Positive
    sequence_spread: Positive
    confidence_shift_spread: Positive
    confidence_stretch_spread: Positive
    iterations: Annotated[int, Field(ge=1)]


class CropSettings(Section):
    """The unmarked pictures kept of each bone and of each whole scan."""

    longest_px: Annotated[int, Field(ge=200, le=10_000)]
    scan_longest_px: Annotated[int, Field(ge=200, le=10_000)]
    margin: Fraction
    quality: Annotated[int, Field(ge=30, le=100)]


class BatchSettings(Section):
    """The overnight batch."""

    cpu_seconds: Annotated[int, Field(ge=1)]
    cpu_seconds_per_megapixel: NotNegative
    wall_factor: Annotated[float, Field(ge=1)]
    memory_megabytes: Annotated[int, Field(ge=1)]
    memory_megabytes_per_megapixel: NotNegative
    report_seconds: Positive
    without_workers_seconds: Positive


class PictureSettings(Section):
    """Crops, overlays and tray sheets."""

    overlay_width_px: Annotated[int, Field(ge=1200, le=4000)]
    overlay_most_height_px: Annotated[int, Field(ge=540, le=4000)]
    tray_sheet_most_px: Annotated[int, Field(ge=1000, le=8000)]
    jpeg_quality: Annotated[int, Field(ge=50, le=100)]
    least_probability_shown: Fraction


class SpeciesSettings(Section):
    """The sections that may differ by species."""

    growth: GrowthSettings
    season: SeasonSettings
    water: Mapping[str, SeasonSettings] = {}
    """Season by water, where it differs."""

    def season_of(self, water: str) -> SeasonSettings:
        """The season that holds for a water."""
        return self.water.get(water, self.season)


class Settings(Section):
    """All settings of a run."""

    scan: ScanSettings
    segment: SegmentSettings
    focus: FocusSettings
    unwrap: UnwrapSettings
    profile: ProfileSettings
    marks: MarksSettings
    reading: ReadingSettings
    crops: CropSettings
    evidence: EvidenceModel
    count: CountSettings
    confidence: NamedWeights
    first_year: Logit
    growth: GrowthSettings
    season: SeasonSettings
    water: Mapping[str, SeasonSettings] = {}
    review: ReviewSettings
    refit: RefitSettings
    batch: BatchSettings
    pictures: PictureSettings
    species: Mapping[str, SpeciesSettings] = {}

    def species_of(self, name: str) -> SpeciesSettings:
        """Settings of a species; the general ones when the species has none."""
        found = self.species.get(name.strip().lower())
        return found or SpeciesSettings(growth=self.growth, season=self.season, water=self.water)

    def knows(self, name: str) -> bool:
        """Whether a settings file for this species was read."""
        return name.strip().lower() in self.species

    def first_pass_digest(self) -> str:
        """Hash of what reading one scan depends on: another digest means that scans must be read again."""
        return _digest(self.model_dump(mode="json", include=set(FIRST_PASS)))

    def second_pass_digest(self) -> str:
        """Hash of what ages depend on besides the readings: another digest means that ages may change."""
        return _digest(self.model_dump(mode="json", exclude={*FIRST_PASS, "refit", "batch", "pictures"}))

    def digest(self) -> str:
        """Hash of all settings."""
        return _digest(self.model_dump(mode="json"))


def _digest(content: object) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]


FIRST_PASS = ("scan", "segment", "focus", "unwrap", "profile", "marks", "reading", "crops")
"""Sections that the first pass reads; all others are re-applied without reading an image."""

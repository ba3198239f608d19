"""Settings of the first pass: reading one scan."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from pipeline.settings_values import Band, Count, Fraction, Logit, NotNegative, Positive, Section


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


class CropSettings(Section):
    """The unmarked pictures kept of each bone and of each whole scan."""

    longest_px: Annotated[int, Field(ge=200, le=10_000)]
    scan_longest_px: Annotated[int, Field(ge=200, le=10_000)]
    margin: Fraction
    quality: Annotated[int, Field(ge=30, le=100)]

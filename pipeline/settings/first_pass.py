"""Settings of the first pass: reading one scan."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from pipeline.settings.values import Choice, Count, Fraction, NotNegative, Positive, Section


class ScanSettings(Section):
    """Reading scan files."""

    most_megapixels: Annotated[float, Field(gt=0, le=100_000)]
    least_pixels: Count
    least_dpi: Positive
    most_dpi: Positive
    doubtful_dpi: tuple[float, ...]


class FocusSettings(Section):
    """Finding focus and growth axis."""

    shortlist: Choice
    """Of `bone.focus_signs.DIRECTION_SIGNS`: which candidates are looked at closely."""
    choice: Choice
    """Of `bone.focus_signs.SIGNS`."""
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

    outlier_mads: Positive


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

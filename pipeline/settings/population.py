"""Which settings there are of growth, keys, maturity and mortality: what ages are used for."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from pipeline.settings.values import Count, Positive, Section


class StandardWeightSettings(Section):
    """A published standard weight of a species."""

    intercept: float
    slope: Positive
    curvature: float = 0.0
    least_mm: Positive
    source: str


class PopulationSettings(Section):
    """What ages are used for: growth curves, good and poor years, keys, maturity, mortality."""

    draws: Annotated[int, Field(ge=50, le=10_000)]
    seed: Count
    least_fish: Annotated[int, Field(ge=5)]
    length_bin_mm: Positive
    smooth_key: bool
    back_calculation: Literal[
        "direct_proportion", "fraser_lee", "body_proportional_linear", "scale_proportional_linear",
        "body_proportional_power", "scale_proportional_power",
    ]  # fmt: skip
    bone_begins_mm: float | None = None
    bone_begins_source: str = ""
    ages_after_peak: Annotated[int, Field(ge=0, le=5)]
    standard_weight: StandardWeightSettings | None = None

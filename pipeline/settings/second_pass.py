"""Settings of the second pass: from the readings of a run to ages and the reading queue."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from pipeline.settings.values import Fraction, MonthDay, NotNegative, Positive, Section


class Trees(Section):
    """Boosted trees, all nodes one after the other; fitted, see DEVELOPERS.md."""

    constant: float
    feature: tuple[int, ...]
    """(node,) which evidence is asked; 0 at a leaf."""
    number: tuple[float, ...]
    """(node,) the threshold, above which the right child follows; at a leaf its value."""
    left: tuple[int, ...]
    """(node,) the left child; the right one stands after it; -1 at a leaf."""
    roots: tuple[int, ...]
    """(tree,) where each tree begins."""


class EvidenceModel(Section):
    """Log odds of each candidate from its evidence; fitted, see tests/accuracy/README.md."""

    trees: Trees
    centre: tuple[float, ...]
    scale: tuple[float, ...]
    reach: Positive
    """Standardised evidence is cut at this."""
    weights: tuple[float, ...]
    """Of a constant, the trees' log odds, and each kind of evidence by itself."""


class CountSettings(Section):
    """From evidence to the distribution of the count; weights fitted, see tests/accuracy/README.md."""

    weights: Mapping[str, float]
    """By name, as `counting.features.FEATURES` lists them."""
    first_year_bones: NotNegative


class FamiliarModel(Section):
    """What bones of the makes taught are like; fitted, see DEVELOPERS.md."""

    centre: tuple[float, ...]
    scale: tuple[float, ...]
    reach: Positive
    whitening: tuple[float, ...]
    """(feature, feature), row by row: makes the standardised features independent."""
    unfamiliar_above: Positive
    """Distance above which a bone is unlike what was taught."""


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

    fitted_to: tuple[str, ...] = ()
    """Specimens to whose counts the weights were fitted: an audit with their readings flatters the machine."""

    least_bones: Annotated[int, Field(ge=10)]
    enough_bones: Annotated[int, Field(ge=10)]
    most_bones: Annotated[int, Field(ge=10)]
    least_probability: Fraction
    evidence_spread: Positive
    sequence_spread: Positive
    confidence_shift_spread: Positive
    confidence_stretch_spread: Positive
    iterations: Annotated[int, Field(ge=1)]

"""All settings of a run, typed and frozen: which there are and which values are allowed.

Values, units and their reasons live in configs/*.toml, which `settings.files` reads.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Annotated

from pydantic import Field

from pipeline.names import folded
from pipeline.settings.first_pass import (
    CropSettings,
    FocusSettings,
    ProfileSettings,
    ReadingSettings,
    ScanSettings,
    UnwrapSettings,
)
from pipeline.settings.population import PopulationSettings
from pipeline.settings.second_pass import (
    CountSettings,
    EvidenceModel,
    FamiliarModel,
    GrowthSettings,
    RefitSettings,
    ReviewSettings,
    SeasonSettings,
)
from pipeline.settings.values import Fraction, Logit, Section


class BatchSettings(Section):
    """The overnight batch."""

    cpu_seconds: Annotated[int, Field(ge=1, le=86_400)]
    cpu_seconds_per_megapixel: Annotated[float, Field(ge=0, le=3600)]
    wall_factor: Annotated[float, Field(ge=1, le=1000)]
    memory_megabytes: Annotated[int, Field(ge=1, le=1_000_000)]
    memory_megabytes_per_megapixel: Annotated[float, Field(ge=0, le=10_000)]
    report_seconds: Annotated[float, Field(gt=0, le=86_400)]
    without_workers_seconds: Annotated[float, Field(gt=0, le=604_800)]


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
    population: PopulationSettings
    water: Mapping[str, SeasonSettings] = {}
    """Season by water, where it differs."""

    def season_of(self, water: str) -> SeasonSettings:
        """The season that holds for a water."""
        return self.water.get(water, self.season)


class Settings(Section):
    """All settings of a run."""

    scan: ScanSettings
    focus: FocusSettings
    unwrap: UnwrapSettings
    profile: ProfileSettings
    reading: ReadingSettings
    crops: CropSettings
    evidence: EvidenceModel
    count: CountSettings
    confidence: Logit
    first_year: Logit
    last_year: Logit
    familiar: FamiliarModel
    growth: GrowthSettings
    season: SeasonSettings
    water: Mapping[str, SeasonSettings] = {}
    review: ReviewSettings
    refit: RefitSettings
    batch: BatchSettings
    pictures: PictureSettings
    population: PopulationSettings
    other_names: Mapping[str, str] = {}
    """Other name of a species in tables -> its name here."""
    species: Mapping[str, SpeciesSettings] = {}

    def species_of(self, name: str) -> SpeciesSettings:
        """Settings of a species; the general ones when the species has none."""
        found = self.species.get(folded(name.strip()))
        return found or SpeciesSettings(
            growth=self.growth, season=self.season, population=self.population, water=self.water
        )

    def knows(self, name: str) -> bool:
        """Whether a settings file for this species was read."""
        return folded(name.strip()) in self.species

    def first_pass_digest(self) -> str:
        """Hash of what reading one scan depends on: another digest means that scans must be read again."""
        return _digest(self.model_dump(mode="json", include=set(FIRST_PASS)))

    def second_pass_digest(self) -> str:
        """Hash of what ages depend on besides the readings: another digest means that ages may change."""
        others = dict.fromkeys((*FIRST_PASS, "other_names", "refit", "batch", "pictures", "population"), True)
        return _digest(self.model_dump(mode="json", exclude={**others, "species": {"__all__": {"population"}}}))

    def digest(self) -> str:
        """Hash of all settings."""
        return _digest(self.model_dump(mode="json"))


def _digest(content: object) -> str:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()[:16]


FIRST_PASS = ("scan", "focus", "unwrap", "profile", "reading", "crops")
"""Sections that the first pass reads; all others are re-applied without reading an image."""

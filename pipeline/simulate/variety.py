"""What may be drawn: levels of difficulty, and narrower choices for studies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

Range = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """How hard bones and scans are to read. Ranges are drawn from evenly."""

    name: str
    winter_loss: Range
    """Share of its opacity that bone of the winter zone lacks."""
    year_spread: float
    """Standard deviation of the logarithm of the loss between the winters of one bone."""
    texture: Range
    """Strength of striae, lamellae and mottle; 1 is an ordinary bone."""
    blur_px: Range
    """Standard deviation of the scanner's blur at 600 dpi, pixels."""
    uneven: float
    """Standard deviation of the unevenness of the light over a scan."""
    noise: Range
    """Standard deviation of the scanner's noise, share of full brightness."""
    least_increment_px: float
    """No year's growth is narrower on the growth axis."""
    least_rim_px: float
    """No annulus lies nearer to the margin on the growth axis."""
    ages: Range
    """Youngest and oldest, share of the species' greatest age."""
    check_chance: float
    split_chance: float
    damage_chance: float
    base_mm: Range
    """Thickness of the bone grown over the blade near the focus; it carries no marks and dims those below."""
    hidden_chance: float
    """That the base of an old fish has grown over the first annulus."""
    glare_chance: float
    litter_per_cm2: float
    """Specks of dust a square centimetre of scan."""
    touching_chance: float
    """That two neighbours on a tray touch."""
    bad_tag_chance: float
    """That the file tells no resolution, or an incredible one."""


CLEAN = Level(
    name="clean",
    winter_loss=(0.45, 0.68),
    year_spread=0.10,
    texture=(0.3, 0.8),
    blur_px=(0.5, 0.8),
    uneven=0.034,
    noise=(0.002, 0.005),
    least_increment_px=10.0,
    least_rim_px=5.0,
    ages=(0.05, 0.55),
    check_chance=0.12,
    split_chance=0.06,
    damage_chance=0.05,
    base_mm=(0.02, 0.25),
    hidden_chance=0.0,
    glare_chance=0.05,
    litter_per_cm2=0.2,
    touching_chance=0.0,
    bad_tag_chance=0.0,
)
TYPICAL = Level(
    name="typical",
    winter_loss=(0.32, 0.60),
    year_spread=0.18,
    texture=(0.6, 1.3),
    blur_px=(0.6, 1.1),
    uneven=0.054,
    noise=(0.004, 0.010),
    least_increment_px=5.5,
    least_rim_px=0.0,
    ages=(0.0, 0.8),
    check_chance=0.4,
    split_chance=0.16,
    damage_chance=0.2,
    base_mm=(0.05, 0.5),
    hidden_chance=0.15,
    glare_chance=0.2,
    litter_per_cm2=0.8,
    touching_chance=0.0,
    bad_tag_chance=0.04,
)
HARD = Level(
    name="hard",
    winter_loss=(0.20, 0.46),
    year_spread=0.28,
    texture=(0.9, 1.9),
    blur_px=(0.9, 1.7),
    uneven=0.078,
    noise=(0.006, 0.016),
    least_increment_px=2.8,
    least_rim_px=0.0,
    ages=(0.1, 1.0),
    check_chance=0.65,
    split_chance=0.3,
    damage_chance=0.4,
    base_mm=(0.05, 0.6),
    hidden_chance=0.3,
    glare_chance=0.4,
    litter_per_cm2=2.0,
    touching_chance=0.35,
    bad_tag_chance=0.08,
)

LEVEL_SHARES: tuple[tuple[Level, float], ...] = ((CLEAN, 0.25), (TYPICAL, 0.5), (HARD, 0.25))
DPI_SHARES: tuple[tuple[int, float], ...] = ((300, 0.15), (600, 0.65), (1200, 0.20))


@dataclass(frozen=True, slots=True, kw_only=True)
class Variety:
    """What a set may hold; None leaves the whole range open."""

    makes: Sequence[str] | None = None
    """Names of makes of drawings; every scan is of one of them, in equal shares."""
    outlines: Sequence[str] | None = None
    """Families of outlines. Only makes that draw one of them are drawn then."""
    increments: Sequence[float] | None = None
    """Growth of successive years as a share of what the growth curve gives; every fish lives through some run of
    them."""
    levels: Sequence[str] | None = None
    """`clean`, `typical`, `hard`."""
    lightings: Sequence[str] | None = None
    """As `lighting` in the truth. Only makes that draw one of them are drawn then."""
    dpis: Sequence[int] | None = None
    species: Sequence[str] | None = None
    ages: Range | None = None
    """Youngest and oldest, share of the species' greatest age."""
    tray_share: float = 0.3
    """Share of the bones that lie on trays, about."""
    extras: bool = True
    """Labels, rulers and pencilled numbers may lie beside the bones."""

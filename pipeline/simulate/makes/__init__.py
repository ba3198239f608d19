"""The makes of drawings, each unlike the others: a reader fitted to one of them fails on the next."""

from __future__ import annotations

from typing import Protocol

from pipeline.simulate.makes import (
    assembled,
    bundles,
    card,
    checked,
    closed_rings,
    coarse,
    crowded,
    even_rings,
    fading,
    ghosts,
    layered,
    lid,
    light_table,
    mixed,
    phone,
    photocopy,
    plain,
    relief,
    ribbed,
    rough_base,
    thin_blade,
    weathered,
)  # fmt: skip
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import Variety


class Make(Protocol):
    """What the module of a make offers."""

    NAME: str
    LIGHTINGS: tuple[tuple[str, float], ...]
    """Lightings that it draws, with their shares."""
    OUTLINES: tuple[tuple[str, float], ...]
    """Families of outlines that it draws, with their shares."""

    def draw_scan(self, random: Random, plan: Plan, variety: Variety) -> DrawnScan:
        """One scan as planned, of this make."""


MAKES: tuple[Make, ...] = (
    layered, lid, photocopy, card, phone, relief, mixed, thin_blade, light_table, closed_rings, bundles, even_rings,
    assembled, rough_base, weathered, plain, crowded, checked, fading, ghosts, ribbed,
    coarse,
)  # fmt: skip

"""The composer: from a seed to scans of many makes, and everything that is known of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from pipeline.simulate.catch import pick
from pipeline.simulate.makes import MAKES, Make
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.variety import DPI_SHARES, LEVEL_SHARES, Variety

LARGE_TRAY = 4  # bones; a tray with more is not scanned at 1200 dpi: the file would be enormous
LARGE_TRAY_DPI = 600
TRAY_BONES = (2, 12)
SIXTEEN_BIT_CHANCE = 0.25
COLOUR_CHANCE = 0.3
FORMATS: tuple[tuple[str, float], ...] = (("tif", 0.4), ("png", 0.35), ("jpg", 0.25))

Shares = tuple[tuple[str, float], ...]


def draw_scans(n: int, seed: int, variety: Variety | None = None) -> Iterator[DrawnScan]:
    """`n` bones on as many scans as they need, each scan of one make.

    A seed gives the same pixels every time: each scan depends on the seed and its place in the set alone.
    Raises ValueError when no make draws what `variety` asks for.
    """
    variety = variety or Variety()
    makes = _makes(variety)
    first = 1
    for index, bones in enumerate(_share_out(np.random.default_rng([seed, 1]), n, variety.tray_share)):
        make = makes[int(np.random.default_rng([seed, 3, index]).integers(len(makes)))]
        random = np.random.default_rng([seed, 2, index])
        yield make.draw_scan(random, _plan(random, index, bones, first, variety, make), variety)
        first += bones


def _makes(variety: Variety) -> list[Make]:
    """Those asked for that draw one of the lightings and outlines asked for."""
    makes = [
        make
        for make in MAKES
        if (variety.makes is None or make.NAME in variety.makes)
        and _only(make.LIGHTINGS, variety.lightings)
        and _only(make.OUTLINES, variety.outlines)
    ]
    if not makes:
        raise ValueError(f"no make of drawings offers this: {variety}")
    return makes


def _share_out(random: Random, n: int, tray_share: float) -> list[int]:
    """Numbers of bones on each scan: trays among single ones."""
    scans: list[int] = []
    left = n
    mean = sum(TRAY_BONES) / 2
    chance = tray_share / (mean - tray_share * (mean - 1))
    while left > 0:
        tray = left >= TRAY_BONES[0] and random.random() < chance
        scans.append(int(random.integers(TRAY_BONES[0], min(TRAY_BONES[1], left) + 1)) if tray else 1)
        left -= scans[-1]
    return scans


def _plan(random: Random, index: int, bones: int, first: int, variety: Variety, make: Make) -> Plan:
    levels = tuple(
        (level, share) for level, share in LEVEL_SHARES if variety.levels is None or level.name in variety.levels
    )
    if variety.ages is not None:
        levels = tuple((replace(level, ages=variety.ages), share) for level, share in levels)
    lighting = pick(random, _only(make.LIGHTINGS, variety.lightings))
    dpi = pick(random, tuple((dpi, share) for dpi, share in DPI_SHARES if variety.dpis is None or dpi in variety.dpis))
    suffix = pick(random, FORMATS)
    colour = bool(random.random() < COLOUR_CHANCE and lighting != "photocopy")
    deep = suffix == "tif" or (suffix == "png" and not colour)  # the PNG writer has no 16-bit colour
    return Plan(
        name=f"scan_{index + 1:04d}.{suffix}",
        bones=bones,
        first=first,
        level=pick(random, levels),
        lighting=lighting,
        dpi=min(dpi, LARGE_TRAY_DPI) if bones > LARGE_TRAY else dpi,
        colour=colour,
        bits=16 if deep and random.random() < SIXTEEN_BIT_CHANCE else 8,
    )


def _only(shares: Shares, wanted: Sequence[str] | None) -> Shares:
    return shares if wanted is None else tuple((v, p) for v, p in shares if v in wanted)

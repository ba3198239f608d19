"""The composer: from a seed to scans and everything that is known of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TypeVar

import numpy as np

from pipeline.simulate.fish import SPECIES, WATERS, Fish, catch_date, draw_fish
from pipeline.simulate.noise import Array, Random
from pipeline.simulate.optics import draw_lighting, draw_scanner, record
from pipeline.simulate.outline import draw_outline
from pipeline.simulate.picture import BonePicture, draw_bone
from pipeline.simulate.tray import arrange, empty_bed, furnish, lay, lay_out
from pipeline.simulate.truth import Row, ScanFacts, Tables, describe
from pipeline.simulate.variety import DPI_SHARES, LEVEL_SHARES, LIGHTING_SHARES, OUTLINE_SHARES, Level, Variety

YEARS = (1996, 2024)  # of capture
LARGE_TRAY = 4  # bones; a tray with more is not scanned at 1200 dpi: the file would be enormous
LARGE_TRAY_DPI = 600
TRAY_BONES = (2, 12)
BOTH_SIDES_CHANCE = 0.15  # on a tray: the next bone is the other one of the same fish
OTHER_SPECIES_CHANCE = 0.1  # that a bone on a tray is of another species than the catch
OTHER_CATCH_CHANCE = 0.25  # and of another catch
CATCH_DAYS = 10  # that one catch lasts
SIXTEEN_BIT_CHANCE = 0.25
COLOUR_CHANCE = 0.3
FORMATS: tuple[tuple[str, float], ...] = (("tif", 0.4), ("png", 0.35), ("jpg", 0.25))
ABSURD_DPI = (1.0, 5.0, 30000.0)  # what faulty programs write

_Any = TypeVar("_Any")


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnScan:
    """One scan, ready to be written."""

    name: str
    """File name; its ending tells the format."""
    pixels: Array
    """(row, column) or (row, column, 3), uint8 or uint16."""
    dpi: float | None
    """As the file shall tell it: sometimes missing or absurd."""
    tables: Tables


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is settled before a scan is drawn."""

    name: str
    """File name; its ending tells the format: tif, png or jpg."""
    bones: int
    first: int
    """Number of its first fish in the set."""
    level: Level
    lighting: str
    dpi: int
    colour: bool
    bits: int


def draw_scans(n: int, seed: int, variety: Variety | None = None) -> Iterator[DrawnScan]:
    """`n` bones on as many scans as they need.

    A seed gives the same pixels every time: each scan depends on the seed and its place in the set alone.
    """
    variety = variety or Variety()
    first = 1
    for index, bones in enumerate(_share_out(np.random.default_rng([seed, 1]), n, variety.tray_share)):
        random = np.random.default_rng([seed, 2, index])
        yield draw_scan(random, _plan(random, index, bones, first, variety), variety)
        first += bones


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    px_per_mm = plan.dpi / 25.4
    lighting = draw_lighting(random, plan.lighting, 3 if plan.colour else 1)
    scanner = draw_scanner(random, plan.level, plan.dpi, plan.bits)
    day = catch_date(random, int(random.integers(*YEARS)))
    water = str(random.choice(WATERS))
    pictures, rows = _bones(random, plan, variety, water, day, px_per_mm)
    touching = plan.bones > 1 and random.random() < plan.level.touching_chance
    layout = lay_out(random, arrange(random, pictures, px_per_mm, touching), px_per_mm, variety.extras)
    bed = empty_bed(random, layout.size, lighting, px_per_mm)
    for picture, corner in zip(pictures, layout.corners, strict=True):
        lay(random, bed, picture, corner, lighting, px_per_mm)
    words = (water, f"{day:%Y-%m-%d}   no {plan.first}")
    furnish(random, bed, layout, pictures, words, plan.level.litter_per_cm2, px_per_mm, lighting)
    pixels = record(random, bed, scanner, plan.lighting == "photocopy")
    tag = "right" if random.random() >= plan.level.bad_tag_chance else str(random.choice(["missing", "absurd"]))
    facts = ScanFacts(scan=plan.name, level=plan.level.name, lighting=plan.lighting, dpi=plan.dpi, dpi_tag=tag)
    tables = Tables()
    grey = pixels[..., pixels.shape[2] // 2].astype(np.float32) / (2**plan.bits - 1)
    for k, (picture, row, corner) in enumerate(zip(pictures, rows, layout.corners, strict=True)):
        describe(tables, facts, {**row, "scan": plan.name, "bone": k + 1}, picture, corner, grey)
    told = {"right": float(plan.dpi), "missing": None, "absurd": float(random.choice(ABSURD_DPI))}[tag]
    return DrawnScan(name=plan.name, pixels=pixels[..., 0] if pixels.shape[2] == 1 else pixels, dpi=told, tables=tables)


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


def _plan(random: Random, index: int, bones: int, first: int, variety: Variety) -> Plan:
    levels = tuple(
        (level, share) for level, share in LEVEL_SHARES if variety.levels is None or level.name in variety.levels
    )
    if variety.ages is not None:
        levels = tuple((replace(level, ages=variety.ages), share) for level, share in levels)
    lighting = _pick(random, _only(LIGHTING_SHARES, variety.lightings))
    dpi = _pick(random, _only(DPI_SHARES, variety.dpis))
    suffix = _pick(random, FORMATS)
    colour = bool(random.random() < COLOUR_CHANCE and lighting != "photocopy")
    deep = suffix == "tif" or (suffix == "png" and not colour)  # the PNG writer has no 16-bit colour
    return Plan(
        name=f"scan_{index + 1:04d}.{suffix}",
        bones=bones,
        first=first,
        level=_pick(random, levels),
        lighting=lighting,
        dpi=min(dpi, LARGE_TRAY_DPI) if bones > LARGE_TRAY else dpi,
        colour=colour,
        bits=16 if deep and random.random() < SIXTEEN_BIT_CHANCE else 8,
    )


def _bones(
    random: Random, plan: Plan, variety: Variety, water: str, day: date, px_per_mm: float
) -> tuple[list[BonePicture], list[Row]]:
    """The bones of a scan: mostly one species of one catch; now and then both opercles of a fish."""
    kinds = tuple((s, share) for s, share in SPECIES if variety.species is None or s.name in variety.species)
    species = _pick(random, kinds)
    increments = None if variety.increments is None else tuple(float(v) for v in variety.increments)
    pictures: list[BonePicture] = []
    rows: list[Row] = []
    while len(pictures) < plan.bones:
        kind = _pick(random, kinds) if random.random() < OTHER_SPECIES_CHANCE else species
        around = day + timedelta(days=int(random.integers(0, CATCH_DAYS)))
        if plan.bones == 1 or random.random() < OTHER_CATCH_CHANCE:
            around = catch_date(random, day.year)
        fish = draw_fish(random, plan.level, kind, water, around, px_per_mm, increments)
        outline = draw_outline(random, _pick(random, _only(OUTLINE_SHARES, variety.outlines)))
        number = plan.first + len(pictures)
        both = len(pictures) + 2 <= plan.bones and random.random() < BOTH_SIDES_CHANCE
        for side in ("L", "R") if both else (str(random.choice(["L", "R"])),):
            pictures.append(draw_bone(random, fish, plan.level, outline, side, px_per_mm))
            rows.append(_specimen(fish, f"F{number:05d}", side))
    return pictures, rows


def _specimen(fish: Fish, name: str, side: str) -> Row:
    return {
        "specimen": name + side, "fish": name, "species": fish.species.name, "water": fish.water,
        "captured": fish.captured.isoformat(), "length_mm": fish.length_mm, "weight_g": fish.weight_g, "sex": fish.sex,
        "maturity": fish.maturity, "side": side,
    }  # fmt: skip


def _only(shares: tuple[tuple[_Any, float], ...], wanted: Sequence[_Any] | None) -> tuple[tuple[_Any, float], ...]:
    return shares if wanted is None else tuple((v, p) for v, p in shares if v in wanted)


def _pick(random: Random, shares: tuple[tuple[_Any, float], ...]) -> _Any:
    chances = np.array([p for _, p in shares])
    return shares[int(random.choice(len(shares), p=chances / chances.sum()))][0]

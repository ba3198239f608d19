"""Lays the bones of a make on one bed, has it scanned, and writes down what is known of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.catch import draw_catch, draw_net, next_fish, next_sides, specimen
from pipeline.simulate.finish import finish
from pipeline.simulate.fish import DrawnFish, Growth
from pipeline.simulate.noise import Array, Random
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.tray import Corner, Stuff, arrange, furnish, lay_out
from pipeline.simulate.truth import DrawnBone, Row
from pipeline.simulate.variety import Variety


@dataclass(frozen=True, slots=True, kw_only=True)
class Portrait:
    """One bone as it shines, in a small picture of its own."""

    light: Float
    """(row, column, channel), 0 to 1: light that the bone itself sends to the sensor."""
    through: Float
    """(row, column): share of the bed's light that passes the bone; 0 where it is opaque."""
    cover: Float
    """(row, column): 1 on the bone, 0 beside it."""
    known: DrawnBone
    """Placed in this picture."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Studio:
    """How a make draws one scan."""

    portray: Callable[[Random, DrawnFish, str], Portrait]
    """A bone of a fish, L or R."""
    bed: Callable[[Random, Corner], Float]
    """Light (row, column, channel) of an empty bed of a width and height in pixels."""
    stuff: Stuff
    shoot: Callable[[Random, Float], Array]
    """From light (row, column, channel) to pixels (row, column, channel), uint8 or uint16; may use up the light."""
    growth: Growth | None = None
    """Of the fish of this scan; None for the species' growth curve."""
    shadow: float = 0.0
    """Share of the bed's light that is lost close beside a bone."""
    shadow_mm: float = 0.35
    """Width of that shadow."""


def compose(random: Random, plan: Plan, variety: Variety, make: str, studio: Studio) -> DrawnScan:
    """A scan with as many bones as planned, in reading order."""
    water, day = draw_net(random)
    catch = draw_catch(random, water, day, variety)
    portraits: list[Portrait] = []
    rows: list[Row] = []
    while len(portraits) < plan.bones:
        fish = next_fish(random, catch, plan, variety, studio.growth)
        drawn = len(portraits)
        for side in next_sides(random, plan.bones - drawn):
            portraits.append(studio.portray(random, fish, side))
            rows.append(specimen(fish, plan, drawn, side))
    covers = [portrait.cover for portrait in portraits]
    touching = plan.bones > 1 and random.random() < plan.level.touching_chance
    layout = lay_out(random, arrange(random, covers, plan.px_per_mm, touching), plan.px_per_mm, variety.extras)
    bed = studio.bed(random, layout.size)
    if studio.shadow > 0:
        _shade(bed, covers, layout.corners, studio.shadow, studio.shadow_mm * plan.px_per_mm)
    for portrait, corner in zip(portraits, layout.corners, strict=True):
        _lay(bed, portrait, corner)
    words = (water, f"{day:%Y-%m-%d}   no {plan.first}")
    furnish(random, bed, layout, covers, words, plan.level.litter_per_cm2, plan.px_per_mm, studio.stuff)
    pixels = studio.shoot(random, bed)
    bones = [
        replace(p.known, place=p.known.place.moved(*corner))
        for p, corner in zip(portraits, layout.corners, strict=True)
    ]
    return finish(random, plan, make, pixels, bones, rows)


def _shade(bed: Float, covers: list[Float], corners: tuple[Corner, ...], strength: float, width_px: float) -> None:
    """Less light on the bed close beside the bones, in place."""
    there = np.zeros(bed.shape[:2], np.float32)
    for cover, (x, y) in zip(covers, corners, strict=True):
        part = there[y : y + cover.shape[0], x : x + cover.shape[1]]
        np.maximum(part, cover, out=part)
    bed *= (1 - np.float32(strength) * cv2.GaussianBlur(there, (0, 0), width_px))[..., None]


def _lay(bed: Float, portrait: Portrait, corner: Corner) -> None:
    """Light of a bone on the bed, in place."""
    height, width = portrait.cover.shape
    part = bed[corner[1] : corner[1] + height, corner[0] : corner[0] + width]
    cover = portrait.cover[..., None]
    part[:] = cover * (portrait.light + portrait.through[..., None] * part) + (1 - cover) * part

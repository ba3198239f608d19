"""Bones as layers that scatter light: opaque summers, translucent winters, a thick base; on black, on white, on a light
table, or copied.
"""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.catch import draw_catch, draw_net, next_fish, next_sides, pick, specimen
from pipeline.simulate.finish import finish
from pipeline.simulate.marks import Line
from pipeline.simulate.noise import Random, cloud
from pipeline.simulate.optics import Lighting, draw_lighting, draw_scanner, record, shine
from pipeline.simulate.outline import draw_outline
from pipeline.simulate.picture import BonePicture, draw_bone
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.tray import Corner, Stuff, arrange, furnish, lay_out
from pipeline.simulate.truth import DrawnBone, KnownLine, Row
from pipeline.simulate.variety import Variety

NAME = "layered"
LIGHTINGS: tuple[tuple[str, float], ...] = (
    ("dark", 0.44),
    ("white", 0.30),
    ("transmitted", 0.20),
    ("photocopy", 0.06),
)
"""`dark`: on black. `white`: on white. `transmitted`: on a light table. `photocopy`: a copy of one on white."""
OUTLINES: tuple[tuple[str, float], ...] = (
    ("fan", 0.26),
    ("narrow", 0.12),
    ("round", 0.14),
    ("notched", 0.13),
    ("spiny", 0.11),
    ("lobed", 0.10),
    ("straight", 0.14),
)
PAPER = 0.78  # light returned by paper
PAPER_THROUGH = 0.45  # share of the light table's light that passes it
INK = 0.03  # light returned by ink
DUST = (0.5, 0.08)  # light from dust on black, and on a bright bed
SHADOW = (0.0, 0.3)  # share of light lost beside a bone on a white backing
SHADOW_MM = 0.35  # width of that shadow's edge
FOLD_CHANCE = 0.08  # that the backing has a fold or ends within the scan
FOLD = (0.75, 1.15)  # its light against the rest


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    lighting = draw_lighting(random, plan.lighting, 3 if plan.colour and plan.lighting != "photocopy" else 1)
    scanner = draw_scanner(random, plan.level, plan.dpi, plan.bits)
    water, day = draw_net(random)
    catch = draw_catch(random, water, day, variety)
    pictures: list[BonePicture] = []
    rows: list[Row] = []
    while len(pictures) < plan.bones:
        fish = next_fish(random, catch, plan, variety)
        families = tuple((f, p) for f, p in OUTLINES if variety.outlines is None or f in variety.outlines)
        outline = draw_outline(random, pick(random, families))
        drawn = len(pictures)
        for side in next_sides(random, plan.bones - drawn):
            pictures.append(draw_bone(random, fish, plan.level, outline, side, plan.px_per_mm))
            rows.append(specimen(fish, plan, drawn, side))
    touching = plan.bones > 1 and random.random() < plan.level.touching_chance
    covers = [picture.cover for picture in pictures]
    layout = lay_out(random, arrange(random, covers, plan.px_per_mm, touching), plan.px_per_mm, variety.extras)
    bed = _empty_bed(random, layout.size, lighting, plan.px_per_mm)
    for picture, corner in zip(pictures, layout.corners, strict=True):
        _lay(random, _below(bed, picture, corner), picture, lighting, plan.px_per_mm)
    words = (water, f"{day:%Y-%m-%d}   no {plan.first}")
    furnish(random, bed, layout, covers, words, plan.level.litter_per_cm2, plan.px_per_mm, _stuff(lighting))
    pixels = record(random, bed, scanner, plan.lighting == "photocopy")
    bones = [_known(p, corner, lighting) for p, corner in zip(pictures, layout.corners, strict=True)]
    return finish(random, plan, NAME, pixels, bones, rows)


def _known(picture: BonePicture, corner: Corner, lighting: Lighting) -> DrawnBone:
    return DrawnBone(
        fish=picture.fish,
        outline=picture.outline.family,
        place=picture.place.moved(*corner),
        axis_px=picture.axis_px,
        margin=picture.outline.margin(1.0) * np.float32(picture.axis_px),
        lines=tuple(_known_line(line) for line in picture.marks.lines if line.kind in ("annulus", "check")),
        splits=picture.marks.splits,
        damaged=picture.damaged,
        bright_winters=not lighting.reflected,
    )


def _known_line(line: Line) -> KnownLine:
    return KnownLine(
        kind=line.kind,
        number=line.number,
        outer=line.outer,
        width=line.width,
        strength=line.loss,
        edge_px=line.edge_px,
    )


def _stuff(lighting: Lighting) -> Stuff:
    return Stuff(
        paper=PAPER_THROUGH * lighting.backing if lighting.name == "transmitted" else PAPER,
        ink=INK,
        pencil=PAPER if lighting.reflected else INK,
        dust=DUST[0] if lighting.reflected else DUST[1],
    )


def _empty_bed(random: Random, size: Corner, lighting: Lighting, px_per_mm: float) -> Float:
    """Light (row, column, channel) of the bed before anything lies on it: a little cloudy, seldom with a fold."""
    width, height = size
    bed = np.full((height, width, lighting.channels), lighting.backing, np.float32)
    cloudy = 1 + np.float32(random.uniform(0.0, 0.05)) * cloud(random, (height, width), (height / 2.5, width / 2.5))
    cloudy += np.float32(random.uniform(0.0, 0.02)) * cloud(random, (height, width), (px_per_mm * 0.4, px_per_mm * 0.4))
    if random.random() < FOLD_CHANCE:
        start = int(random.uniform(0.0, 0.12) * height)
        cloudy[: max(start, 2)] *= np.float32(random.uniform(*FOLD))
    bed *= cloudy[..., None]
    if lighting.channels == 3:
        bed *= np.array([1, random.uniform(0.97, 1.0), random.uniform(0.93, 1.03)], np.float32)
    return bed


def _below(bed: Float, picture: BonePicture, corner: Corner) -> Float:
    """The part of the bed that a bone's picture covers."""
    height, width = picture.cover.shape
    return bed[corner[1] : corner[1] + height, corner[0] : corner[0] + width]


def _lay(random: Random, part: Float, picture: BonePicture, lighting: Lighting, px_per_mm: float) -> None:
    """Light of a bone on its part of the bed, in place."""
    below = part
    if lighting.name in ("white", "photocopy"):
        shadow = cv2.GaussianBlur(picture.cover, (0, 0), SHADOW_MM * px_per_mm)
        below = part * (1 - np.float32(random.uniform(*SHADOW)) * shadow)[..., None]
    light = shine(picture.optical, below, picture.shade, lighting)
    if lighting.name != "transmitted":
        light += picture.gloss[..., None]
    light *= picture.stain[..., None]
    cover = picture.cover[..., None]
    part[:] = cover * light + (1 - cover) * below

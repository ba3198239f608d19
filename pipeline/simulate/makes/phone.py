"""Photographs with a phone, of bones on dark cloth: seen aslant, dim corners, blur, a cast of colour, compression."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.finish import finish
from pipeline.simulate.fish import Growth
from pipeline.simulate.noise import Array, Random, cloud, ease
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sketching.canvas import Canvas, blotches, lamellae, striae, strut
from pipeline.simulate.sketching.courses import Wander
from pipeline.simulate.sketching.lives import Life, draw_lives
from pipeline.simulate.sketching.margins import Knots, draw_margin
from pipeline.simulate.sketching.rings import Profile, Winters, opacity
from pipeline.simulate.sketching.scene import known, on_scene, spread_out
from pipeline.simulate.sketching.sensor import blurred, compressed, encoded, sharpened, to_pixels, uneven
from pipeline.simulate.sketching.sketch import Course, Sketch, overgrowth, pick_outline, sketch
from pipeline.simulate.sketching.slant import Slant, seen_aslant
from pipeline.simulate.tray import SHORT_ROW, Stuff, furnish
from pipeline.simulate.variety import Level, Variety

NAME = "phone"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 1.0),)
OUTLINES: tuple[tuple[str, float], ...] = (("saw", 0.5), ("paddle", 0.5))
KNOTS: dict[str, Knots] = {
    "saw": (  # a spine, and teeth along the lower edge
        (-176, 0.07), (-110, 0.09), (-72, 0.2), (-62, 0.62), (-57, 0.70), (-52, 0.66), (-47, 0.80), (-42, 0.76),
        (-37, 0.9), (-31, 0.87), (-26, 0.99), (-12, 0.99), (4, 1.02), (14, 1.2), (20, 1.06), (30, 0.84), (44, 0.55),
        (58, 0.26), (90, 0.1), (130, 0.08),
    ),
    "paddle": (
        (-170, 0.2), (-140, 0.24), (-105, 0.34), (-74, 0.52), (-50, 0.74), (-26, 0.92), (-4, 1.0), (16, 0.99),
        (38, 0.85), (60, 0.64), (84, 0.44), (112, 0.29), (148, 0.21),
    ),
}  # fmt: skip
GROWTH = Growth(first=(0.6, 3.5), yearly_change=(0.75, 1.0), water_spread=(0.1, 0.3), own_spread=(0.06, 0.2))
CLOTH = (0.01, 0.10)  # light returned by the cloth
CLOTHS = ((1.0, 1.0, 1.0), (0.55, 0.7, 1.3), (0.7, 1.15, 0.8), (1.3, 0.9, 0.7), (1.2, 0.6, 0.65))  # red, green, blue
BONE = (0.55, 0.9)  # light returned by thick bone
GLOSS = np.float32(0.015)  # mirrored off the surface everywhere
CASTS = ((1.0, 1.0, 1.0), (1.12, 1.0, 0.78), (0.9, 1.0, 1.12), (0.98, 1.05, 0.93))  # red, green, blue
SLANT = {"clean": 0.04, "typical": 0.09, "hard": 0.14}  # how far corners of the view are moved, share of its sides
SLANT_OF_ROWS = 0.03  # where bones lie in several rows: a person takes care that the rows are seen
CLOTH_AROUND = 2.5  # of that: how far the cloth reaches beyond what is laid on it
THREAD_MM = (0.25, 0.7)
QUALITY = {"clean": (80, 95), "typical": (60, 90), "hard": (35, 75)}  # of the compression
LARGEST_DPI = 600  # no phone resolves more


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One photograph as planned; always in colour, 8 bits."""
    plan = replace(plan, dpi=min(plan.dpi, LARGEST_DPI))
    lives, words = draw_lives(random, plan, variety, GROWTH)
    bones = [_bone(random, life, plan, variety) for life in lives]
    return lit(random, plan, variety, NAME, bones, words)


def lit(
    random: Random, plan: Plan, variety: Variety, make: str, bones: list[Sketch], words: tuple[str, ...]
) -> DrawnScan:
    """The bones of one scan on dark cloth, as a scan of `make`; `words` for their label."""
    covers = [bone.canvas.cover for bone in bones]
    layout = spread_out(random, bones, plan, variety)
    width, height = layout.size
    most = SLANT[plan.level.name] if plan.bones <= SHORT_ROW else SLANT_OF_ROWS
    around = round(CLOTH_AROUND * most * width), round(CLOTH_AROUND * most * height)
    cloth = _cloth(random, (height + 2 * around[1], width + 2 * around[0]), plan.px_per_mm)
    table = cloth[around[1] : around[1] + height, around[0] : around[0] + width]
    _shadows(random, table, covers, layout.corners, plan.px_per_mm)
    warm = np.array([1.0, random.uniform(0.93, 0.99), random.uniform(0.75, 0.93)], np.float32)
    for bone, part in on_scene(table, bones, layout):
        light = _returned(random, bone, plan.level)[..., None] * warm
        part += bone.canvas.cover[..., None] * (light - part)
    stuff = Stuff(paper=0.7, ink=0.04, pencil=0.5, dust=0.4)
    furnish(random, table, layout, covers, words, plan.level.litter_per_cm2, plan.px_per_mm, stuff)
    slant = Slant.drawn(random, layout.size, most)
    picture = slant.view(cloth, around)
    pixels = _photographed(random, picture, plan.level, plan.dpi)
    facts = [
        seen_aslant(known(bone, corner, bright=False), slant)
        for bone, corner in zip(bones, layout.corners, strict=True)
    ]
    return finish(random, plan, make, pixels, facts, [bone.life.row for bone in bones])


def _bone(random: Random, life: Life, plan: Plan, variety: Variety) -> Sketch:
    outline = pick_outline(random, OUTLINES, variety)
    margin = draw_margin(random, KNOTS[outline], turn=1.6, reach=0.03, bend=0.008, ease_deg=random.uniform(0.8, 1.8))
    old = margin.radius if outline == "paddle" else margin.front
    course = Course(
        young=np.asarray(old ** random.uniform(0.5, 1.5), np.float32),
        old=old,
        power=random.uniform(0.5, 2.0),
        wander=Wander(shared=random.uniform(0, 0.12), own=random.uniform(0.02, 0.08), wave_deg=28, merge_chance=0.08),
    )
    winters = Winters(
        profile=Profile(
            inner=random.uniform(0.3, 1.0),
            outer=random.uniform(0.1, 0.45),
            halo=random.uniform(0.2, 0.7) if random.random() < 0.5 else 0.0,
            halo_width=random.uniform(0.4, 1.0),
        ),
        strength=min(random.uniform(0.8, 1.25) * random.uniform(*plan.level.winter_loss), 0.88),
        width=random.uniform(0.9, 1.7),
        reach=random.uniform(0.7, 1.3),
        floor=random.uniform(0.1, 0.6),
        patches=random.uniform(0.1, 0.3),
    )
    return sketch(random, life, plan, outline, margin, course, random.uniform(0.0005, 0.004), winters)


def _returned(random: Random, bone: Sketch, level: Level) -> Float:
    """(row, column) share of the daylight that returns from a bone."""
    canvas, texture = bone.canvas, random.uniform(*level.texture)
    optical = opacity(canvas, bone.rings)
    optical *= 1 + np.float32(0.04 * texture) * lamellae(random, canvas, bone.year_end)
    optical *= 1 + np.float32(0.05 * texture) * striae(random, canvas, random.uniform(1.5, 5), random.uniform(0.3, 0.9))
    optical *= 1 + np.float32(0.05 * texture) * blotches(random, canvas, random.uniform(0.04, 0.16))
    optical *= np.float32(random.uniform(0.8, 1.6))
    optical += overgrowth(random, bone, level, base=(0.8, 3.0), reach=(0.1, 0.26), hiding=(1.2, 3.0))
    for _ in range(int(random.integers(0, 3))):
        optical += np.float32(random.uniform(0.2, 1.0)) * strut(canvas, random.uniform(-50, 50), 0.02, 0.8)
    light = random.uniform(*BONE) * (1 - np.exp(-np.maximum(optical, 0.01)))
    light *= (1 - np.float32(0.6) * bone.cracks) * _rounded(random, canvas)
    light += GLOSS
    if random.random() < level.glare_chance:
        size = canvas.axis_px * random.uniform(0.04, 0.12)
        wet = cloud(random, (canvas.cover.shape[0], canvas.cover.shape[1]), (size, size))
        light += np.float32(random.uniform(0.2, 0.7)) * ease((wet - 2.1) / 0.6)
    return np.asarray(light, np.float32)


def _rounded(random: Random, canvas: Canvas) -> Float:
    """(row, column) light on a blade that bulges: it falls off away from the window."""
    depth = blurred(np.minimum(canvas.depth(), 0.25 * canvas.axis_px), 0.05 * canvas.axis_px)
    turn = random.uniform(0, 2 * np.pi)
    slope = cv2.Sobel(depth, cv2.CV_32F, 1, 0, scale=0.125) * np.cos(turn)
    slope += cv2.Sobel(depth, cv2.CV_32F, 0, 1, scale=0.125) * np.sin(turn)
    return np.asarray(np.clip(1 + np.float32(random.uniform(0.05, 0.3)) * slope, 0.5, 1.5), np.float32)


def _cloth(random: Random, shape: tuple[int, int], px_per_mm: float) -> Float:
    """Light (row, column, 3) of woven cloth with soft folds."""
    thread = random.uniform(*THREAD_MM) * px_per_mm
    turn = random.uniform(0, np.pi)
    x, y = np.arange(shape[1], dtype=np.float32)[None], np.arange(shape[0], dtype=np.float32)[:, None]
    warp = np.sin((x * np.float32(np.cos(turn)) + y * np.float32(np.sin(turn))) * np.float32(2 * np.pi / thread))
    weft = np.sin((y * np.float32(np.cos(turn)) - x * np.float32(np.sin(turn))) * np.float32(2 * np.pi / thread))
    weave = 1 + np.float32(random.uniform(0.05, 0.5)) * warp * weft
    weave += np.float32(random.uniform(0.05, 0.3)) * cloud(random, shape, (0.5 * thread, 0.5 * thread))
    weave *= 1 + np.float32(random.uniform(0, 0.35)) * cloud(random, shape, (shape[0] / 2.5, shape[1] / 2.5))
    colour = np.array(CLOTHS[int(random.integers(len(CLOTHS)))], np.float32)
    light = np.float32(random.uniform(*CLOTH)) * weave[..., None] * colour
    return np.asarray(np.maximum(light, 0.001), np.float32)


def _shadows(
    random: Random, table: Float, covers: list[Float], corners: tuple[tuple[int, int], ...], px_per_mm: float
) -> None:
    """A soft shadow on one side of each bone, in place."""
    bones = np.zeros(table.shape[:2], np.float32)
    for cover, (x, y) in zip(covers, corners, strict=True):
        part = bones[y : y + cover.shape[0], x : x + cover.shape[1]]
        np.maximum(part, cover, out=part)
    dx, dy = random.normal(0, 0.5, 2) * px_per_mm
    moved = cv2.warpAffine(bones, np.array([[1, 0, dx], [0, 1, dy]], np.float32), (table.shape[1], table.shape[0]))
    dark = blurred(np.asarray(moved, np.float32), random.uniform(0.15, 0.5) * px_per_mm)
    table *= 1 - np.float32(random.uniform(0.2, 0.7)) * dark[..., None]


def _photographed(random: Random, light: Float, level: Level, dpi: int) -> Array:
    light = light * uneven(random, light.shape, random.uniform(0.0, 0.3), random.uniform(0.02, 0.25))
    light *= np.array(CASTS[int(random.integers(len(CASTS)))], np.float32)
    light = blurred(light, random.uniform(*level.blur_px) * 1.15 * dpi / 600)
    bright = float(np.percentile(light[::5, ::5].mean(axis=2), 99.5))
    light *= np.float32(random.uniform(0.6, 0.95) / max(bright, 0.05))
    picture = encoded(light, 2.2)
    if random.random() < 0.6:  # the phone's own contrast
        picture += np.float32(random.uniform(0, 2)) * (picture - 0.5) * picture * (1 - picture)
    pixels = to_pixels(random, picture, 1.5 * random.uniform(*level.noise), 8, grain_px=0.7)
    smooth = blurred(np.asarray(pixels / np.float32(255), np.float32), random.uniform(0.4, 0.8))
    smooth = sharpened(smooth, random.uniform(1.2, 2.5), random.uniform(0.3, 1.0))
    return compressed(to_pixels(random, smooth, 0.0, 8), int(random.integers(*QUALITY[level.name])))

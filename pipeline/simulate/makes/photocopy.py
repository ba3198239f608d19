"""Photocopies that somebody scanned: toner, hollow darks, streaks along the paper's way, almost two tones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.records import Float
from pipeline.simulate.finish import finish
from pipeline.simulate.fish import Growth
from pipeline.simulate.noise import Array, Random, cloud
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sketching.canvas import blotches, lamellae, striae, strut
from pipeline.simulate.sketching.courses import Wander, circle_about
from pipeline.simulate.sketching.lives import Life, draw_lives
from pipeline.simulate.sketching.margins import Knots, draw_margin
from pipeline.simulate.sketching.rings import Profile, Winters, opacity
from pipeline.simulate.sketching.scene import known, on_scene, spread_out
from pipeline.simulate.sketching.sensor import blurred, to_pixels, uneven
from pipeline.simulate.sketching.sketch import Course, Sketch, overgrowth, pick_outline, sketch
from pipeline.simulate.tray import Stuff, furnish
from pipeline.simulate.variety import Level, Variety

NAME = "photocopy"
LIGHTINGS: tuple[tuple[str, float], ...] = (("photocopy", 1.0),)
OUTLINES: tuple[tuple[str, float], ...] = (("shield", 0.55), ("hatchet", 0.45))
KNOTS: dict[str, Knots] = {
    "shield": (
        (-170, 0.16), (-125, 0.22), (-90, 0.34), (-68, 0.55), (-50, 0.82), (-38, 0.97), (-18, 1.02), (0, 1.0),
        (18, 1.02), (38, 0.96), (52, 0.78), (72, 0.5), (95, 0.3), (130, 0.2),
    ),
    "hatchet": (
        (-172, 0.06), (-100, 0.08), (-66, 0.15), (-52, 0.62), (-43, 1.08), (-34, 1.12), (-20, 1.02), (-4, 0.97),
        (10, 0.95), (24, 0.96), (36, 0.98), (46, 0.8), (54, 0.4), (70, 0.14), (120, 0.07),
    ),
}  # fmt: skip
GROWTH = Growth(first=(0.5, 2.8), yearly_change=(0.8, 1.02), water_spread=(0.1, 0.3), own_spread=(0.06, 0.22))
USUAL_DPI = 300  # at which copies are scanned
USUAL_DPI_CHANCE = 0.75
PAPER = 0.86  # light returned by the copier's lid
SUMMER = (0.34, 0.55)  # light returned by thick bone on the copier's glass
WINTER_LIGHT = (0.72, 0.86)  # light that would return where there is no bone
TONES = {"clean": (5.0, 9.0), "typical": (6.0, 14.0), "hard": (8.0, 20.0)}  # steepness of the copier's curve
MIDDLE = (0.25, 0.6)  # place of its middle between summer and winter light
TONER_NOISE = (0.02, 0.07)  # of the charge on the drum, share of full light
HOLLOW = (0.0, 0.45)  # share of broad darks that is lost in their middle
HOLLOW_MM = 1.6
BLACK = (0.04, 0.22)  # light returned by toner
WHITE = (0.78, 0.95)  # and by paper


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned, mostly at the resolution at which papers are scanned."""
    if variety.dpis is None and random.random() < USUAL_DPI_CHANCE:
        plan = replace(plan, dpi=USUAL_DPI)
    lives, words = draw_lives(random, plan, variety, GROWTH)
    bones = [_bone(random, life, plan, variety) for life in lives]
    return lit(random, plan, variety, NAME, bones, words)


def lit(
    random: Random, plan: Plan, variety: Variety, make: str, bones: list[Sketch], words: tuple[str, ...]
) -> DrawnScan:
    """The bones of one scan on a photocopy, as a scan of `make`; `words` for their label."""
    covers = [bone.canvas.cover for bone in bones]
    layout = spread_out(random, bones, plan, variety)
    light = np.full((layout.size[1], layout.size[0], 1), PAPER, np.float32)
    summer, winter = random.uniform(*SUMMER), random.uniform(*WINTER_LIGHT)
    ends = []
    for bone, part in on_scene(light[..., 0], bones, layout):
        through = np.exp(-_optical(random, bone, plan.level))
        ends.append(np.percentile(through[bone.canvas.cover > 0.9], [35, 97]))
        part += bone.canvas.cover * (summer + np.float32(winter - summer) * through - 0.3 * bone.cracks - part)
    low, high = summer + (winter - summer) * np.mean(ends, axis=0)
    stuff = Stuff(paper=0.82, ink=0.08, pencil=0.3, dust=0.3)
    furnish(random, light, layout, covers, words, plan.level.litter_per_cm2, plan.px_per_mm, stuff)
    pixels = _copied(random, light, plan, float(low), float(high))
    facts = [
        replace(known(bone, corner, bright=True), grainy=True)
        for bone, corner in zip(bones, layout.corners, strict=True)
    ]
    return finish(random, plan, make, pixels, facts, [bone.life.row for bone in bones])


def _bone(random: Random, life: Life, plan: Plan, variety: Variety) -> Sketch:
    outline = pick_outline(random, OUTLINES, variety)
    margin = draw_margin(random, KNOTS[outline], turn=2.5, reach=0.05, bend=0.012, ease_deg=random.uniform(1, 3))
    course = Course(
        young=circle_about(random.uniform(0.0, 0.4), random.uniform(-0.2, 0.2)),
        old=margin.radius if outline == "shield" else margin.front,
        power=random.uniform(0.8, 3.0),
        wander=Wander(shared=random.uniform(0, 0.05), own=random.uniform(0.01, 0.05), wave_deg=35, merge_chance=0.1),
    )
    winters = Winters(
        profile=Profile(inner=random.uniform(0.1, 0.3), outer=random.uniform(0.1, 0.3)),
        strength=min(1.3 * random.uniform(*plan.level.winter_loss), 0.88),
        width=random.uniform(0.8, 1.6),
        reach=random.uniform(0.9, 1.6),
        floor=random.uniform(0.3, 0.8),
        patches=random.uniform(0.05, 0.25),
    )
    return sketch(random, life, plan, outline, margin, course, random.uniform(0.0005, 0.004), winters)


def _optical(random: Random, bone: Sketch, level: Level) -> Float:
    """(row, column) optical thickness: an even blade, a base, at most one strut."""
    canvas, texture = bone.canvas, random.uniform(*level.texture)
    field = opacity(canvas, bone.rings) * np.float32(random.uniform(1.0, 1.8))
    field *= 1 + np.float32(0.02 * texture) * lamellae(random, canvas, bone.year_end)
    field *= 1 + np.float32(0.05 * texture) * striae(random, canvas, random.uniform(2, 6), random.uniform(0.4, 1.0))
    field *= 1 + np.float32(0.04 * texture) * blotches(random, canvas, random.uniform(0.04, 0.2))
    field += overgrowth(random, bone, level, base=(0.5, 2.5), reach=(0.1, 0.25), hiding=(1.0, 2.5))
    if random.random() < 0.5:
        field += np.float32(random.uniform(0.2, 0.8)) * strut(canvas, random.uniform(-55, 55), 0.02, 0.8)
    return np.asarray(field, np.float32)


def _copied(random: Random, light: Float, plan: Plan, low: float, high: float) -> Array:
    """Pixels of a scanned copy; `low` and `high`: light from the bones' summers and winters."""
    level, shape = plan.level, light.shape[:2]
    light = blurred(light, random.uniform(0.5, 0.9) * plan.dpi / 300)
    broad = blurred(light, HOLLOW_MM * plan.px_per_mm)
    light = light + np.float32(random.uniform(*HOLLOW)) * np.maximum(np.float32(low) - broad, 0)
    light *= uneven(random, light.shape, random.normal(0, 0.6 * level.uneven), 0.0)
    charge = cloud(random, shape, (1.3 * plan.dpi / 300,) * 2)[..., None]
    middle = low + random.uniform(*MIDDLE) * (high - low)
    drum = random.uniform(*TONER_NOISE) * {"clean": 0.6, "typical": 1.0, "hard": 1.4}[level.name] * (high - low) / 0.3
    steep = random.uniform(*TONES[level.name]) * 0.3 / max(high - low, 0.05)
    tone = 0.5 + 0.5 * np.tanh(0.5 * steep * (light - np.float32(middle) + np.float32(drum) * charge))
    bare = cloud(random, shape, (6.0, 6.0))[..., None] > 1.4  # spots that took too little toner
    tone += np.float32(random.uniform(0, 0.12)) * bare * (1 - tone)
    for _ in range(int(random.poisson({"clean": 0.3, "typical": 1.0, "hard": 2.5}[level.name]))):
        first, wide = int(random.integers(shape[1])), int(random.integers(1, 4))
        tone[:, first : first + wide] *= np.float32(1 + random.choice([-1, 1]) * random.uniform(0.05, 0.35))
    specks = random.random(shape, dtype=np.float32) < random.uniform(0.0002, 0.002)
    tone[specks] *= 0.2
    black, white = random.uniform(*BLACK), random.uniform(*WHITE)
    picture = black + (white - black) * blurred(np.asarray(np.clip(tone, 0, 1), np.float32), random.uniform(0.4, 0.8))
    return to_pixels(random, picture, random.uniform(*level.noise), plan.bits)

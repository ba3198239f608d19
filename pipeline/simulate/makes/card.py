"""Bones under a black card in a scanner with an uneven lamp: dried skin, dust, glare, little contrast, winters that
fade towards the sides of the fan.
"""

from __future__ import annotations

import numpy as np

from pipeline.records import Float
from pipeline.simulate.finish import finish
from pipeline.simulate.fish import Growth
from pipeline.simulate.noise import Array, Random, cloud, ease
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sketching.canvas import Canvas, blotches, lamellae, striae, strut
from pipeline.simulate.sketching.courses import Wander, pointed
from pipeline.simulate.sketching.lives import Life, draw_lives
from pipeline.simulate.sketching.margins import Knots, draw_margin
from pipeline.simulate.sketching.rings import Profile, Winters, opacity
from pipeline.simulate.sketching.scene import known, on_scene, spread_out
from pipeline.simulate.sketching.sensor import blurred, encoded, stripes, to_pixels, uneven
from pipeline.simulate.sketching.sketch import Course, Sketch, overgrowth, pick_outline, sketch, thin_edge
from pipeline.simulate.tray import Stuff, furnish
from pipeline.simulate.variety import Level, Variety

NAME = "card"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 1.0),)
OUTLINES: tuple[tuple[str, float], ...] = (("wedge", 0.6), ("torn", 0.4))
KNOTS: dict[str, Knots] = {
    "wedge": (
        (-175, 0.05), (-110, 0.06), (-62, 0.09), (-42, 0.28), (-31, 0.82), (-26, 1.04), (-16, 1.0), (0, 0.98),
        (14, 1.02), (24, 1.08), (30, 0.8), (40, 0.3), (62, 0.09), (120, 0.06),
    ),
    "torn": (
        (-170, 0.08), (-110, 0.1), (-76, 0.2), (-60, 0.7), (-52, 0.96), (-44, 0.9), (-36, 1.04), (-22, 0.95),
        (-10, 1.03), (4, 0.97), (16, 1.04), (30, 0.93), (40, 1.0), (52, 0.72), (64, 0.3), (100, 0.1),
    ),
}  # fmt: skip
GROWTH = Growth(first=(0.45, 2.6), yearly_change=(0.76, 1.05), water_spread=(0.12, 0.35), own_spread=(0.08, 0.25))
BONE = (0.45, 0.85)  # light returned by thick bone
CARD = (0.015, 0.09)  # light returned by the card
THICKNESS = {"clean": (0.7, 1.3), "typical": (0.9, 1.8), "hard": (1.1, 2.2)}
"""Optical thickness of opaque blade: the thicker, the less its winters show."""
GLOSS = np.float32(0.01)  # mirrored off the surface everywhere
LAMP_SLOPE = (0.05, 0.35)
LAMP_BEND = (0.0, 0.2)
SKIN_CHANCE = {"clean": 0.1, "typical": 0.45, "hard": 0.8}
RADIUS_OF_CURL = (1.2, 3.0)  # of the bone's curl, of the growth axis: it sets how the light falls off


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    lives, words = draw_lives(random, plan, variety, GROWTH)
    bones = [_bone(random, life, plan, variety) for life in lives]
    return lit(random, plan, variety, NAME, bones, words)


def lit(
    random: Random, plan: Plan, variety: Variety, make: str, bones: list[Sketch], words: tuple[str, ...]
) -> DrawnScan:
    """The bones of one scan under a black card, as a scan of `make`; `words` for their label."""
    covers = [bone.canvas.cover for bone in bones]
    layout = spread_out(random, bones, plan, variety)
    bed = _card(random, (layout.size[1], layout.size[0]), plan.px_per_mm)
    for bone, part in on_scene(bed, bones, layout):
        part += bone.canvas.cover * (_returned(random, bone, plan.level) - part)
    tint = np.array([1.0, random.uniform(0.93, 1.0), random.uniform(0.74, 0.98)] if plan.colour else [1.0], np.float32)
    bed = bed[..., None] * tint
    stuff = Stuff(paper=0.75, ink=0.03, pencil=0.6, dust=random.uniform(0.35, 0.7))
    litter = plan.level.litter_per_cm2 * random.uniform(1, 4)
    furnish(random, bed, layout, covers, words, litter, plan.px_per_mm, stuff)
    pixels = _scanned(random, bed, plan)
    facts = [known(bone, corner, bright=False) for bone, corner in zip(bones, layout.corners, strict=True)]
    return finish(random, plan, make, pixels, facts, [bone.life.row for bone in bones])


def _bone(random: Random, life: Life, plan: Plan, variety: Variety) -> Sketch:
    outline = pick_outline(random, OUTLINES, variety)
    rounding = random.uniform(0.5, 1.2) if outline == "torn" else random.uniform(0.8, 2.5)
    margin = draw_margin(random, KNOTS[outline], turn=1.8, reach=0.035, bend=0.01, ease_deg=rounding)
    course = Course(
        young=pointed(random.uniform(-0.5, 1.6)),
        old=margin.front,
        power=random.uniform(0.3, 1.2),
        wander=Wander(
            shared=random.uniform(0.02, 0.12),
            own=random.uniform(0.03, 0.1),
            wave_deg=random.uniform(9, 22),
            merge_chance=0.2,
        ),
    )
    winters = _winters(random, plan.level)
    return sketch(random, life, plan, outline, margin, course, random.uniform(0.001, 0.006), winters)


def _winters(random: Random, level: Level) -> Winters:
    """Broad and soft, or narrow and sharp, now and then of several lines; always fading to the sides."""
    broad = random.random() < 0.4
    return Winters(
        profile=Profile(
            inner=random.uniform(0.6, 1.0) if broad else random.uniform(0.2, 0.6),
            outer=random.uniform(0.25, 0.6) if broad else random.uniform(0.05, 0.25),
            lines=1 if broad else int(random.choice([1, 1, 2, 3])),
        ),
        strength=min(1.15 * random.uniform(*level.winter_loss), 0.85),
        width=random.uniform(1.0, 2.0) if broad else random.uniform(0.6, 1.3),
        reach=random.uniform(0.45, 0.95),
        floor=random.uniform(0.05, 0.35),
        patches=random.uniform(0.15, 0.35),
    )


def _returned(random: Random, bone: Sketch, level: Level) -> Float:
    """(row, column) share of the lamp's light that returns from a bone and what sticks to it."""
    light: Float = np.float32(random.uniform(*BONE)) * (1 - np.exp(-_optical(random, bone, level)))
    light *= (1 - np.float32(0.6) * bone.cracks) * _curl(random, bone.canvas)
    light += GLOSS
    if random.random() < SKIN_CHANCE[level.name]:
        light = _skin(random, bone.canvas, light)
    if random.random() < level.glare_chance:
        light += _glare(random, bone.canvas)
    return np.asarray(light, np.float32)


def _optical(random: Random, bone: Sketch, level: Level) -> Float:
    """(row, column) optical thickness: a thin blade under a narrow, high base."""
    canvas, texture = bone.canvas, random.uniform(*level.texture)
    field = opacity(canvas, bone.rings)
    field *= 1 + np.float32(0.04 * texture) * lamellae(random, canvas, bone.year_end)
    field *= 1 + np.float32(0.07 * texture) * striae(random, canvas, random.uniform(0.8, 2.5), random.uniform(0.2, 0.6))
    field *= 1 + np.float32(0.06 * texture) * blotches(random, canvas, random.uniform(0.02, 0.1))
    field *= 1 + np.float32(0.05 * texture) * blotches(random, canvas, random.uniform(0.1, 0.25))
    taper = 1 + np.float32(random.uniform(0, 0.6)) * (1 - bone.share)
    field *= np.float32(random.uniform(*THICKNESS[level.name])) * taper
    field += overgrowth(random, bone, level, base=(1.0, 3.5), reach=(0.08, 0.2), hiding=(1.2, 3.0))
    for _ in range(int(random.integers(0, 4))):
        height, where = random.uniform(0.2, 1.4), random.uniform(-45, 45)
        field += np.float32(height) * strut(canvas, where, random.uniform(0.008, 0.03), random.uniform(0.35, 1.1))
    thinned = field * thin_edge(random, canvas, (0.004, 0.02), (0.3, 0.9))
    return np.asarray(np.maximum(thinned, 0.01), np.float32)


def _curl(random: Random, canvas: Canvas) -> Float:
    """(row, column) light on a blade that is not flat: brighter where it faces the lamp."""
    height, width = canvas.cover.shape
    turn = random.uniform(0, 2 * np.pi)
    x = (np.arange(width, dtype=np.float32) - width / 2)[None] * np.float32(np.cos(turn))
    y = (np.arange(height, dtype=np.float32) - height / 2)[:, None] * np.float32(np.sin(turn))
    off = (x + y) / np.float32(canvas.axis_px * random.uniform(*RADIUS_OF_CURL))
    return np.asarray(1 + np.float32(random.uniform(-0.5, 0.5)) * off, np.float32)


def _skin(random: Random, canvas: Canvas, light: Float) -> Float:
    """Dried skin: grey films with sharp edges, that hide what lies below and throw a seam of light."""
    shape = (canvas.cover.shape[0], canvas.cover.shape[1])
    size = canvas.axis_px * random.uniform(0.1, 0.3)
    field = cloud(random, shape, (size, size)) + 0.35 * cloud(random, shape, (size / 5, size / 5))
    edge = np.asarray(field - random.uniform(0.9, 1.5), np.float32)
    film = ease(edge / 0.12) * np.float32(random.uniform(0.2, 0.75))
    seam = np.exp(-((edge / 0.06) ** 2)) * np.float32(random.uniform(0, 0.12))
    grey = np.float32(random.uniform(0.12, 0.45)) * (1 + 0.12 * cloud(random, shape, (size / 8, size / 8)))
    return np.asarray(light + film * (grey - light) + seam, np.float32)


def _glare(random: Random, canvas: Canvas) -> Float:
    """Wet or greasy spots that mirror the lamp, most of them along its length."""
    shape = (canvas.cover.shape[0], canvas.cover.shape[1])
    size = canvas.axis_px * random.uniform(0.03, 0.1)
    field = cloud(random, shape, (size, size * random.uniform(1, 4))) + 0.5 * cloud(random, shape, (size / 4, size / 4))
    return np.asarray(np.float32(random.uniform(0.1, 0.5)) * ease((field - random.uniform(1.8, 2.5)) / 0.7), np.float32)


def _card(random: Random, shape: tuple[int, int], px_per_mm: float) -> Float:
    """Light (row, column) of black card: fibres, fluff, a paler rubbed patch."""
    card = np.full(shape, random.uniform(*CARD), np.float32)
    card *= 1 + np.float32(random.uniform(0.02, 0.15)) * cloud(random, shape, (0.12 * px_per_mm, 0.3 * px_per_mm))
    card *= 1 + np.float32(random.uniform(0, 0.25)) * cloud(random, shape, (shape[0] / 3, shape[1] / 3))
    return np.maximum(card, 0.002)


def _scanned(random: Random, bed: Float, plan: Plan) -> Array:
    level = plan.level
    slope, bend = random.uniform(*LAMP_SLOPE), random.uniform(*LAMP_BEND)
    light = bed * uneven(random, bed.shape, slope, bend)
    light *= stripes(random, bed.shape[1], random.uniform(0.1, 0.6) * level.noise[1])
    light = blurred(light, random.uniform(*level.blur_px) * (plan.dpi / 600) ** 0.5)
    light = light * np.float32(random.uniform(0.7, 1.05)) + np.float32(random.uniform(0, 0.03))  # flare
    picture = encoded(light, random.choice([1.0, 1.6, 1.8, 2.2]))
    return to_pixels(random, picture, random.uniform(*level.noise), plan.bits)

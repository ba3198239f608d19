"""Off-white bones on the closed white lid of a household scanner: known by a shadow's edge and a little grey; winters
let the lid shine through.
"""

from __future__ import annotations

import cv2
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
from pipeline.simulate.sketching.sensor import blurred, compressed, encoded, sharpened, stripes, to_pixels, uneven
from pipeline.simulate.sketching.sketch import Course, Sketch, overgrowth, pick_outline, sketch, thin_edge
from pipeline.simulate.tray import Stuff, furnish
from pipeline.simulate.variety import Level, Variety

NAME = "lid"
LIGHTINGS: tuple[tuple[str, float], ...] = (("white", 1.0),)
OUTLINES: tuple[tuple[str, float], ...] = (("sail", 0.6), ("leaf", 0.4))
KNOTS: dict[str, Knots] = {
    "sail": (
        (-170, 0.07), (-110, 0.08), (-72, 0.12), (-58, 0.45), (-50, 0.92), (-44, 1.04), (-32, 1.0), (-10, 0.98),
        (8, 1.0), (20, 1.06), (27, 1.16), (33, 0.95), (44, 0.62), (56, 0.3), (85, 0.10), (130, 0.08),
    ),
    "leaf": (
        (-175, 0.12), (-120, 0.16), (-85, 0.3), (-60, 0.6), (-38, 0.86), (-14, 0.98), (4, 1.02), (22, 0.94),
        (44, 0.7), (66, 0.42), (95, 0.22), (140, 0.13),
    ),
}  # fmt: skip
GROWTH = Growth(first=(0.7, 3.2), yearly_change=(0.78, 1.0), water_spread=(0.1, 0.3), own_spread=(0.06, 0.2))
LID = (0.80, 0.95)  # light returned by the lid
BONE = (0.54, 0.78)  # light returned by thick bone, share of the lid's
SHOWING = (0.90, 1.0)  # light of the lid that would return through no bone at all, beneath one, share
YELLOW = (0.80, 0.97)  # blue light of thick bone against green
THICKNESS = (0.9, 1.7)  # optical thickness of opaque blade
SHADOW = (0.06, 0.30)  # light lost in the shadow
SHADOW_MM = (0.12, 0.5)  # its softness, and how far it falls to one side
BASE = (0.4, 1.8)  # optical thickness of the base
HIDING = (0.8, 2.5)  # optical thickness of the bone over a hidden first annulus


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    lives, words = draw_lives(random, plan, variety, GROWTH)
    bones = [_bone(random, life, plan, variety) for life in lives]
    return lit(random, plan, variety, NAME, bones, words)


def lit(
    random: Random, plan: Plan, variety: Variety, make: str, bones: list[Sketch], words: tuple[str, ...]
) -> DrawnScan:
    """The bones of one scan on the closed lid of a household scanner, as a scan of `make`; `words` for their label."""
    covers = [bone.canvas.cover for bone in bones]
    layout = spread_out(random, bones, plan, variety)
    bed = _lid(random, layout.size, 3 if plan.colour else 1, plan.px_per_mm)
    _shadows(random, bed, covers, layout.corners, plan.px_per_mm)
    whiteness, yellow, showing = random.uniform(*BONE), random.uniform(*YELLOW), random.uniform(*SHOWING)
    tint = np.array([1.02, 1.0, yellow] if plan.colour else [1.0], np.float32)
    for bone, part in on_scene(bed, bones, layout):
        through = np.exp(-_optical(random, bone, plan.level))[..., None]
        light = part * (np.float32(whiteness) * tint * (1 - through) + np.float32(showing) * through)
        light *= 1 - 0.5 * bone.cracks[..., None]
        cover = bone.canvas.cover[..., None]
        part[:] = cover * light + (1 - cover) * part
    stuff = Stuff(paper=0.8, ink=0.06, pencil=0.25, dust=0.3)
    furnish(random, bed, layout, covers, words, plan.level.litter_per_cm2, plan.px_per_mm, stuff)
    pixels = _scanned(random, bed, plan)
    facts = [known(bone, corner, bright=True) for bone, corner in zip(bones, layout.corners, strict=True)]
    return finish(random, plan, make, pixels, facts, [bone.life.row for bone in bones])


def _bone(random: Random, life: Life, plan: Plan, variety: Variety) -> Sketch:
    outline = pick_outline(random, OUTLINES, variety)
    margin = draw_margin(random, KNOTS[outline], turn=2.0, reach=0.05, bend=0.008, ease_deg=random.uniform(0.8, 2.5))
    course = Course(
        young=circle_about(random.uniform(-0.15, 0.25), random.uniform(-0.12, 0.12)),
        old=margin.radius if outline == "leaf" else margin.front,
        power=random.uniform(0.4, 1.6),
        wander=Wander(shared=random.uniform(0, 0.1), own=random.uniform(0.02, 0.09), wave_deg=22),
    )
    winters = Winters(
        profile=Profile(inner=random.uniform(0.12, 0.5), outer=random.uniform(0.08, 0.3)),
        strength=min(1.25 * random.uniform(*plan.level.winter_loss), 0.85),
        width=random.uniform(0.7, 1.5),
        reach=random.uniform(0.7, 1.4),
        floor=random.uniform(0.1, 0.7),
        patches=random.uniform(0.1, 0.25),
    )
    return sketch(random, life, plan, outline, margin, course, random.uniform(0.0005, 0.004), winters)


def _optical(random: Random, bone: Sketch, level: Level) -> Float:
    """(row, column) optical thickness: a plain blade, a thick base, thin edges, fibres and blotches."""
    canvas, texture = bone.canvas, random.uniform(*level.texture)
    field = opacity(canvas, bone.rings)
    field *= 1 + np.float32(0.03 * texture) * lamellae(random, canvas, bone.year_end)
    field *= 1 + np.float32(0.05 * texture) * striae(random, canvas, random.uniform(1, 4), random.uniform(0.3, 0.8))
    field *= 1 + np.float32(0.05 * texture) * blotches(random, canvas, random.uniform(0.05, 0.15))
    field *= np.float32(random.uniform(*THICKNESS))
    field += overgrowth(random, bone, level, base=BASE, reach=(0.1, 0.24), hiding=HIDING)
    for _ in range(int(random.integers(0, 3))):
        height = np.float32(random.uniform(0.2, 0.9))
        field += height * strut(canvas, random.uniform(-60, 60), random.uniform(0.012, 0.04), random.uniform(0.3, 0.9))
    return np.asarray(field * thin_edge(random, canvas, (0.003, 0.014), (0.5, 0.95)), np.float32)


def _lid(random: Random, size: tuple[int, int], channels: int, px_per_mm: float) -> Float:
    """Light of the empty lid: foam, a little cloudy."""
    width, height = size
    bed = np.full((height, width, channels), random.uniform(*LID), np.float32)
    bed *= (1 + np.float32(random.uniform(0, 0.02)) * cloud(random, (height, width), (height / 3, width / 3)))[
        ..., None
    ]
    foam = cloud(random, (height, width), (0.35 * px_per_mm, 0.35 * px_per_mm))
    bed *= (1 + np.float32(random.uniform(0, 0.012)) * foam)[..., None]
    if channels == 3:
        bed *= np.array([random.uniform(0.97, 1.02), 1, random.uniform(0.95, 1.03)], np.float32)
    return bed


def _shadows(
    random: Random, bed: Float, covers: list[Float], corners: tuple[tuple[int, int], ...], px_per_mm: float
) -> None:
    """Bones hold the lid off the glass: a shadow all around, most on the side away from the lamp; in place."""
    shadow = np.zeros(bed.shape[:2], np.float32)
    for cover, (x, y) in zip(covers, corners, strict=True):
        part = shadow[y : y + cover.shape[0], x : x + cover.shape[1]]
        np.maximum(part, cover, out=part)
    fall = random.uniform(*SHADOW_MM) * px_per_mm * random.choice([-1, 1])
    moved = cv2.warpAffine(shadow, np.array([[1, 0, 0], [0, 1, fall]], np.float32), (bed.shape[1], bed.shape[0]))
    soft = blurred(np.asarray(moved, np.float32), random.uniform(*SHADOW_MM) * px_per_mm)
    close = blurred(shadow, 0.12 * px_per_mm)
    loss = random.uniform(*SHADOW)
    dark = np.float32(loss) * soft + np.float32(0.5 * loss) * close
    bed *= 1 - (dark * (1 - shadow))[..., None]


def _scanned(random: Random, bed: Float, plan: Plan) -> Array:
    level = plan.level
    light = bed * uneven(
        random, bed.shape, random.normal(0, 0.4 * level.uneven), abs(random.normal(0, 0.3 * level.uneven))
    )
    light *= stripes(random, bed.shape[1], random.uniform(0, 0.2) * level.noise[1])
    light = blurred(light, random.uniform(*level.blur_px) * (plan.dpi / 600) ** 0.4)
    if random.random() < 0.5:  # the program's own sharpening
        light = sharpened(light, random.uniform(1, 2.5), random.uniform(0.3, 0.9))
    white = float(np.percentile(light[::7, ::7], 99))
    light *= np.float32(random.uniform(0.9, 1.03) / white)  # automatic exposure, sometimes too bright
    picture = encoded(light, random.choice([1.8, 2.2, 2.2, 2.4]))
    if random.random() < 0.5:
        pixels = to_pixels(random, picture, random.uniform(*level.noise), 8)
        return compressed(pixels, int(random.integers(70, 95)))
    return to_pixels(random, picture, random.uniform(*level.noise), plan.bits)

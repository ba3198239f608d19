"""Bones under one low lamp: winters are steps, bright on the side that faces the lamp and dark on the other, between
broad struts.
"""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.finish import finish
from pipeline.simulate.fish import Growth
from pipeline.simulate.noise import Random, cloud, ease
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sketching.canvas import blotches, striae, strut
from pipeline.simulate.sketching.courses import Wander, circle_about
from pipeline.simulate.sketching.lives import Life, draw_lives
from pipeline.simulate.sketching.margins import Knots, draw_margin
from pipeline.simulate.sketching.rings import Profile, Winters, opacity
from pipeline.simulate.sketching.scene import known, on_scene, spread_out
from pipeline.simulate.sketching.sensor import blurred, encoded, to_pixels, uneven
from pipeline.simulate.sketching.sketch import Course, Sketch, pick_outline, sketch
from pipeline.simulate.tray import Stuff, furnish
from pipeline.simulate.variety import Level, Variety

NAME = "relief"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 1.0),)
OUTLINES: tuple[tuple[str, float], ...] = (("trapeze", 0.5), ("scallop", 0.5))
KNOTS: dict[str, Knots] = {
    "trapeze": (
        (-172, 0.1), (-110, 0.1), (-80, 0.13), (-66, 0.34), (-57, 0.82), (-51, 1.02), (-40, 0.94), (-22, 0.9),
        (0, 0.92), (20, 1.0), (34, 1.1), (42, 1.12), (49, 0.8), (58, 0.36), (76, 0.14), (120, 0.1),
    ),
    "scallop": (
        (-174, 0.1), (-118, 0.13), (-92, 0.24), (-74, 0.58), (-60, 0.8), (-44, 0.93), (-24, 0.99), (0, 1.0), (24, 0.99),
        (44, 0.92), (60, 0.78), (74, 0.55), (92, 0.22), (120, 0.12),
    ),
}  # fmt: skip
GROWTH = Growth(first=(0.4, 2.4), yearly_change=(0.8, 1.04), water_spread=(0.1, 0.3), own_spread=(0.06, 0.22))
STEP_SLOPE = {"clean": (0.16, 0.36), "typical": (0.10, 0.26), "hard": (0.06, 0.16)}
"""Height over length of a winter's step."""
ALBEDO_SHARE = (0.15, 0.5)  # of the level's loss of opacity that shows as darker bone
LAMP_HEIGHT_DEG = (18.0, 42.0)
SKY = (0.15, 0.5)  # share of the light that comes from everywhere
BONE = (0.4, 0.75)  # light returned by bone that faces the lamp
STRUT_SLOPE = (0.06, 0.3)
RIDGES = (12, 45)  # growth ridges between focus and margin that are no annuli
RIDGE_SLOPE = 0.03  # at texture 1
FIBRE_SLOPE = 0.05  # at texture 1
PIT_SLOPE = 0.03  # at texture 1
BACKING = (0.008, 0.10)  # light returned by the backing


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One picture as planned; one lamp for all its bones."""
    lives, words = draw_lives(random, plan, variety, GROWTH)
    bones = [_bone(random, life, plan, variety) for life in lives]
    return lit(random, plan, variety, NAME, bones, words)


def lit(
    random: Random, plan: Plan, variety: Variety, make: str, bones: list[Sketch], words: tuple[str, ...]
) -> DrawnScan:
    """The bones of one scan under one low lamp, as a scan of `make`; `words` for their label."""
    covers = [bone.canvas.cover for bone in bones]
    layout = spread_out(random, bones, plan, variety)
    lamp, above = random.uniform(0, 2 * np.pi), np.deg2rad(random.uniform(*LAMP_HEIGHT_DEG))
    sky = np.float32(random.uniform(*SKY))
    bed = _backing(random, (layout.size[1], layout.size[0]), plan.px_per_mm)
    for bone, part in on_scene(bed, bones, layout):
        height = _steps(random, bone, plan.level) + _ground(random, bone, plan.level)
        light = _albedo(random, bone, plan.level) * (sky + (1 - sky) * _shaded(height, lamp, above))
        part += bone.canvas.cover * (light - part)
    tint = np.array([1.0, random.uniform(0.94, 1.0), random.uniform(0.78, 1.0)] if plan.colour else [1.0], np.float32)
    scene = np.asarray(bed[..., None] * tint, np.float32)
    stuff = Stuff(paper=0.6, ink=0.03, pencil=0.5, dust=0.4)
    furnish(random, scene, layout, covers, words, plan.level.litter_per_cm2, plan.px_per_mm, stuff)
    scene *= uneven(random, scene.shape, random.uniform(0, 3 * plan.level.uneven), random.uniform(0, plan.level.uneven))
    scene = blurred(scene, random.uniform(*plan.level.blur_px) * (plan.dpi / 600) ** 0.4)
    picture = encoded(scene * np.float32(random.uniform(0.8, 1.3)), float(random.choice([1.4, 1.8, 2.2])))
    pixels = to_pixels(random, picture, random.uniform(*plan.level.noise), plan.bits)
    facts = [known(bone, corner, bright=None) for bone, corner in zip(bones, layout.corners, strict=True)]
    return finish(random, plan, make, pixels, facts, [bone.life.row for bone in bones])


def _bone(random: Random, life: Life, plan: Plan, variety: Variety) -> Sketch:
    outline = pick_outline(random, OUTLINES, variety)
    margin = draw_margin(random, KNOTS[outline], turn=2.2, reach=0.04, bend=0.01, ease_deg=random.uniform(1.0, 2.5))
    course = Course(
        young=circle_about(random.uniform(-0.1, 0.1), random.uniform(-0.06, 0.06)),
        old=margin.front,
        power=random.uniform(0.8, 2.5),
        wander=Wander(
            shared=random.uniform(0, 0.12),
            own=random.uniform(0.03, 0.1),
            wave_deg=random.uniform(14, 35),
            merge_chance=0.08,
        ),
    )
    winters = Winters(
        profile=Profile(inner=random.uniform(0.3, 0.9), outer=random.uniform(0.1, 0.4)),
        strength=random.uniform(*plan.level.winter_loss),
        width=random.uniform(0.8, 1.5),
        reach=random.uniform(0.8, 1.4),
        floor=random.uniform(0.2, 0.7),
        patches=random.uniform(0.1, 0.3),
    )
    return sketch(random, life, plan, outline, margin, course, random.uniform(0.0005, 0.005), winters)


def _albedo(random: Random, bone: Sketch, level: Level) -> Float:
    """(row, column) light that lies in the colour of the bone, not in its relief."""
    shown, texture = np.float32(random.uniform(*ALBEDO_SHARE)), random.uniform(*level.texture)
    albedo = np.float32(random.uniform(*BONE)) * (1 - shown * (1 - opacity(bone.canvas, bone.rings)))
    albedo *= 1 + np.float32(0.04 * texture) * blotches(random, bone.canvas, random.uniform(0.05, 0.2))
    return np.asarray(albedo * (1 - np.float32(0.7) * bone.cracks), np.float32)


def _steps(random: Random, bone: Sketch, level: Level) -> Float:
    """(row, column) height in px of terraces: each winter the surface falls, and a step ends at its annulus."""
    canvas = bone.canvas
    slope = random.uniform(*STEP_SLOPE[level.name]) / np.mean(level.winter_loss)
    buried = 1 - np.exp(-((bone.share / np.float32(bone.first)) ** 4)) if bone.hidden else np.ones_like(bone.share)
    height = np.zeros(canvas.radius.shape, np.float32)
    for ring in bone.rings:
        beyond = (canvas.radius - canvas.around(ring.outer)) / canvas.around(ring.width)
        fall = canvas.around(np.asarray(ring.width * ring.loss * np.float32(slope), np.float32))
        height -= fall * np.clip(beyond + 1, 0, 1)
    return np.asarray(height * buried, np.float32)


def _ground(random: Random, bone: Sketch, level: Level) -> Float:
    """(row, column) height in px under the steps: a dome, struts, ridges that are no annuli, fibres, pits."""
    canvas, texture = bone.canvas, random.uniform(*level.texture)
    axis = np.float32(canvas.axis_px)
    reach = np.float32(random.uniform(0.1, 0.25))
    height = axis * reach * np.float32(random.uniform(0.1, 0.5)) * np.exp(-((bone.share / reach) ** 2))
    for _ in range(int(random.integers(1, 5))):
        width = random.uniform(0.02, 0.07)
        rise = np.float32(random.uniform(*STRUT_SLOPE) * width) * axis
        height += rise * strut(canvas, random.uniform(-60, 60), width, random.uniform(0.5, 1.4))
    count = random.uniform(*RIDGES)
    phase = canvas.radius / canvas.around(np.maximum(canvas.margin, 0.3 * axis)) * np.float32(2 * np.pi * count)
    phase += np.float32(2.5) * blotches(random, canvas, 0.25)
    plain = np.clip(0.5 + blotches(random, canvas, 0.2), 0, 1)  # ridges come and go
    height += np.float32(RIDGE_SLOPE * texture / (2 * np.pi * count)) * axis * np.sin(phase) * plain
    wave = random.uniform(1.5, 5)
    across = np.deg2rad(wave) * axis * 0.6
    height += np.float32(FIBRE_SLOPE * texture * across / 2.5) * striae(random, canvas, wave, random.uniform(0.4, 0.9))
    grain = random.uniform(0.01, 0.04)
    height += np.float32(PIT_SLOPE * texture * grain / 2.5) * axis * blotches(random, canvas, grain)
    edge = np.float32(random.uniform(0.004, 0.02)) * axis
    height += np.float32(random.uniform(0.1, 0.4)) * edge * ease(canvas.depth() / edge)
    return np.asarray(height, np.float32)


def _shaded(height: Float, lamp: float, above: float) -> Float:
    """(row, column) share of the lamp's light that a surface gets, 1 where it lies flat (Lambert's cosine law)."""
    smooth = blurred(height, 0.7)
    dx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    dy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    facing = np.sin(above) - np.cos(above) * (dx * np.cos(lamp) + dy * np.sin(lamp))
    return np.asarray(np.clip(facing / (np.sin(above) * np.sqrt(1 + dx**2 + dy**2)), 0, 2.2), np.float32)


def _backing(random: Random, shape: tuple[int, int], px_per_mm: float) -> Float:
    backing = np.full(shape, random.uniform(*BACKING), np.float32)
    backing *= 1 + np.float32(random.uniform(0, 0.2)) * cloud(random, shape, (0.15 * px_per_mm,) * 2)
    return np.maximum(backing, 0.002)

"""Thin blades on black: a sheet of bone that lets light through, with a strut along one edge, ridges and hollows that a
slanting lamp brings out, vessels and pores, and a frayed margin that fades into the dark.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np

from pipeline.records import Float
from pipeline.simulate.compose import Portrait, Studio, compose
from pipeline.simulate.damage import hurt
from pipeline.simulate.fish import Fish, Growth
from pipeline.simulate.lines import kept_apart, partial_checks, plain_along, sizes, translucency, winter_lines
from pipeline.simulate.marks import years_of_growth
from pipeline.simulate.noise import Random, cloud, ease, ripple
from pipeline.simulate.place import AXIS, DEGREES, DIRECTIONS, PER_DEGREE, put_down, rolled_up, unrolled
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sensor import draw_sensor, shoot
from pipeline.simulate.shape import Shape, middle_deg, through, turned
from pipeline.simulate.texture import blotches, lamellae, pores, stain, striae, vessels
from pipeline.simulate.tray import Corner, Stuff
from pipeline.simulate.truth import KnownBone
from pipeline.simulate.variety import Variety

NAME = "thin_blade"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 1.0),)
OUTLINES: tuple[tuple[str, float], ...] = (("triangle", 0.45), ("hooked", 0.3), ("broad", 0.25))
BACKING = (0.0, 0.03)  # light returned by the black card
TINT = (1.06, 1.0, 0.86)  # of old bone
GROWTH = Growth(first=(0.5, 1.8), yearly_change=(0.78, 0.97), water_spread=(0.08, 0.25), own_spread=(0.05, 0.22))
DENSITY = (0.7, 2.0)  # optical thickness of the summer blade at the margin
THICKER = (0.2, 1.6)  # optical thickness added towards the base, share
ALBEDO = (0.55, 0.95)
SLANT = (0.2, 2.2)  # strength of the shading
RIDGES = (0.0, 1.0)  # height of the steps at the ends of years against the other relief


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """What the bones of one scan have in common."""

    albedo: float
    slant: float
    lamp_deg: float
    channels: int


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned."""
    sensor = draw_sensor(random, plan)
    look = _Look(
        albedo=random.uniform(*ALBEDO),
        slant=random.uniform(*SLANT),
        lamp_deg=random.choice([90.0, -90.0, random.uniform(-180, 180)]),
        channels=3 if plan.colour else 1,
    )
    studio = Studio(
        portray=partial(_portray, plan=plan, look=look),
        bed=partial(_bed, backing=random.uniform(*BACKING), channels=look.channels),
        stuff=Stuff(paper=0.75, ink=0.03, pencil=0.6, dust=0.45),
        shoot=lambda random, light: shoot(random, light, sensor),
        growth=GROWTH,
    )
    return compose(random, plan, variety, NAME, studio)


def _bed(random: Random, size: Corner, backing: float, channels: int) -> Float:
    width, height = size
    card = np.float32(backing) * (1 + np.float32(0.2) * cloud(random, (height, width), (height / 3, width / 3)))
    return np.repeat(np.maximum(card, 0)[..., None], channels, axis=2)


def _outline(random: Random, family: str) -> Shape:
    """A fan with a strut along its straight edge, a corner drawn out, and a short process behind the focus."""
    opening = random.uniform(62, 80) if family != "broad" else random.uniform(85, 105)
    half = opening / 2
    process = random.uniform(0.05, 0.12)
    hook = random.uniform(1.02, 1.2) if family == "hooked" else random.uniform(0.85, 1.08)
    far = random.uniform(0.82, 1.0, 5)
    points = [
        (-180, process), (-150, process * random.uniform(0.8, 1.5)), (-110, random.uniform(0.05, 0.11)),
        (-half - 22, random.uniform(0.09, 0.2)), (-half - 4, random.uniform(0.5, 0.75)), (-half + 5, hook),
        (-half + 18, far[0] * (0.8 if family == "hooked" else 1.0)), (-half * 0.3, far[1]), (half * 0.2, far[2]),
        (half * 0.6, far[3]), (half - 3, far[4] * random.uniform(0.8, 1.0)),
        (half + 5, random.uniform(0.3, 0.6)), (half + 16, random.uniform(0.13, 0.22)),
        (110, random.uniform(0.06, 0.13)), (150, process),
    ]  # fmt: skip
    degrees, radii = (np.array(v, float) for v in zip(*points, strict=True))
    adult = through(degrees, radii, 2.0)
    young = through(degrees, radii ** random.uniform(0.6, 0.9), 7.0)
    scallops = random.uniform(0, 0.02) * ripple(random, DIRECTIONS, random.uniform(6, 14) * PER_DEGREE)
    axis = middle_deg(adult)
    return Shape(
        family=family,
        adult=turned(adult * (1 + scallops), axis),
        young=turned(young, axis),
        onset=random.uniform(0.5, 1.0),
        half_angle_deg=half,
    )


def _edged(beyond: Float, width: Float, edge: Float) -> Float:
    """Fades in over much of the zone, ends sharply."""
    inside = np.clip((beyond + width) / np.maximum(0.6 * width, 1), 0, 1)
    return np.asarray(inside * inside * (3 - 2 * inside) * np.clip(0.5 - beyond / edge, 0, 1), np.float32)


def _portray(random: Random, fish: Fish, side: str, plan: Plan, look: _Look) -> Portrait:
    axis_px = fish.margin_mm * plan.px_per_mm
    level = plan.level
    family = str(random.choice([f for f, _ in OUTLINES], p=[p for _, p in OUTLINES]))
    shape = _outline(random, family)
    margin = shape.margin(1.0) * np.float32(axis_px)
    common = random.uniform(0, 0.12) * ripple(random, DIRECTIONS, random.uniform(20, 60) * PER_DEGREE)
    own = random.uniform(0.02, 0.12)
    years = kept_apart(
        [shape.margin(size) * np.float32(axis_px) for size in sizes(fish)],
        margin,
        [common + own * ripple(random, DIRECTIONS, random.uniform(10, 40) * PER_DEGREE) for _ in sizes(fish)],
    )
    edge = random.uniform(0.01, 0.08)
    lines = winter_lines(
        random, fish, level, years, along=plain_along(random, shape.half_angle_deg, (0.8, 1.6), (0.1, 0.7)),
        widths=random.uniform(0.6, 1.1), thinnest_px=1.5, edge=edge,
    )  # fmt: skip
    lines += partial_checks(random, level, years, margin, float(lines[-1].strength[AXIS]), edge)
    columns = int(margin.max() * 1.05) + 4
    texture = random.uniform(*level.texture)
    missing = translucency(lines, columns, _edged)
    place, mask = put_down(random, margin * (1 + _frayed(random)), side)
    size = (mask.shape[0], mask.shape[1])
    radius, row = unrolled(size, place)
    age = years_of_growth(years, columns)
    fibres = striae(random, columns, random.uniform(0.5, 1.5), random.uniform(3, 8))
    opaque = (1 - missing) * (1 + 0.05 * texture * lamellae(random, age, random.uniform(4, 12)))
    opaque *= 1 + 0.05 * texture * random.uniform(0.2, 1.2) * fibres
    blade, base = _thickness(random, shape, margin, columns, level.base_mm[1])
    steps = random.uniform(*RIDGES) * 0.5 * np.clip(age % 1, 0, 1) ** 3
    relief = blade + 0.5 * base + steps + 0.25 * texture * fibres + 0.3 * cloud(random, age.shape, (60, columns / 6))
    damage = np.ones(size, np.float32)
    damaged = random.random() < level.damage_chance
    if damaged:
        for _ in range(random.integers(1, 4)):
            hurt(random, mask, damage, margin, shape.half_angle_deg, place)
    cover = mask.astype(np.float32) / np.float32(255)
    depth = cv2.distanceTransform(np.asarray(mask > 127, np.uint8), cv2.DIST_L2, 5)
    thin = 1 - np.exp(-(depth + 0.5) / np.float32(max(random.uniform(0.002, 0.012) * axis_px, 0.8)))
    optical = (rolled_up(opaque * blade, radius, row) + rolled_up(base, radius, row)) * thin
    optical *= np.float32(random.uniform(*DENSITY))
    optical *= 1 + np.float32(0.06 * texture) * blotches(random, size, axis_px / random.uniform(5, 15))
    light = np.float32(look.albedo) * (1 - np.exp(-np.maximum(optical, 0)))
    light *= _shading(rolled_up(relief, radius, row), look, axis_px)
    light *= damage
    veins = vessels(random, place, size, axis_px, int(random.integers(0, 6)))
    light *= 1 - np.float32(random.uniform(0.05, 0.2) * min(texture, 1.5)) * veins
    light *= 1 - 0.6 * pores(random, place, size, axis_px, int(random.integers(0, 25)), random.uniform(0.06, 0.15))
    if random.random() < 0.5 * level.glare_chance:
        light *= stain(random, size, random.uniform(0.2, 0.6))
    colours = np.array(TINT if look.channels == 3 else (1.0,), np.float32)
    return Portrait(
        light=np.asarray(light[..., None] * colours, np.float32),
        through=np.asarray(np.exp(-2 * np.maximum(optical, 0)), np.float32),
        cover=cover,
        known=KnownBone(
            fish=fish, outline=family, place=place, axis_px=axis_px, margin=margin,
            lines=tuple(line for line in lines if line.kind != "margin"), splits=0, damaged=damaged,
            bright_winters=False,
        ),
    )  # fmt: skip


def _frayed(random: Random) -> Float:
    """(DIRECTIONS,) share of the radius by which the margin juts out or is worn; 0 on the growth axis."""
    rough = random.uniform(0.0, 0.006) * ripple(random, DIRECTIONS, random.uniform(1, 4) * PER_DEGREE)
    rough += random.uniform(0.0, 0.006) * ripple(random, DIRECTIONS, random.uniform(6, 20) * PER_DEGREE)
    rough = np.clip(rough, -0.02, 0.008)
    return np.asarray(rough - rough[AXIS], np.float32)


def _thickness(random: Random, shape: Shape, margin: Float, columns: int, most_base: float) -> tuple[Float, Float]:
    """Thickness (DIRECTIONS, columns) of the blade, 1 at the margin, and of the bone without marks over it: a socket,
    and struts from it along the edges."""
    share = np.minimum(np.arange(columns, dtype=np.float32)[None] / np.maximum(margin, 3)[:, None], 1.2)
    blade = 1 + np.float32(random.uniform(*THICKER)) * np.clip(1 - share, 0, 1)
    mean = float(margin[AXIS])
    radius = np.arange(columns, dtype=np.float32)[None] / np.float32(mean)
    base = np.float32(4 * random.uniform(0.1, 1) * most_base) * np.exp(-((radius / random.uniform(0.06, 0.16)) ** 2))
    angle = np.deg2rad(DEGREES)[:, None]
    edge = shape.half_angle_deg
    for direction in (-edge * random.uniform(0.8, 0.98), edge * random.uniform(0.7, 1.0))[: random.integers(0, 3)]:
        across = np.abs(np.sin(angle - np.deg2rad(direction))) * radius
        ahead = ease(0.5 + np.cos(angle - np.deg2rad(direction)) * radius / np.float32(0.06))
        wide = np.float32(random.uniform(0.01, 0.035)) + np.float32(0.03) * radius
        fading = np.clip(1 - radius / np.float32(random.uniform(0.5, 1.1)), 0, 1)
        base = base + np.float32(random.uniform(0.5, 2.0)) * ahead * fading * np.exp(-((across / wide) ** 2))
    return np.asarray(blade, np.float32), np.asarray(base, np.float32)


def _shading(relief: Float, look: _Look, axis_px: float) -> Float:
    """Factor of light from the slope of the surface towards the lamp."""
    smooth = cv2.GaussianBlur(relief, (0, 0), max(axis_px / 250, 0.8))
    along = np.deg2rad(look.lamp_deg)
    slope = np.cos(along) * cv2.Sobel(smooth, cv2.CV_32F, 1, 0, ksize=3) + np.sin(along) * cv2.Sobel(
        smooth, cv2.CV_32F, 0, 1, ksize=3
    )
    return np.asarray(np.clip(1 + np.float32(look.slant * axis_px / 120) * slope / 8, 0.45, 1.6), np.float32)

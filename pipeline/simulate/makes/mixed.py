"""Bones put together at random from every outline, every course of marks, and every profile of winters that the other
makes here draw, and some that none of them draws, each scan in the light of one of them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

import numpy as np

from pipeline.records import Float
from pipeline.simulate.catch import pick
from pipeline.simulate.fish import Growth
from pipeline.simulate.makes import card, lid, phone, photocopy, relief
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.sketching.courses import Wander, circle_about, pointed
from pipeline.simulate.sketching.lives import Life, draw_lives
from pipeline.simulate.sketching.margins import Knots, MarginCurve, draw_margin
from pipeline.simulate.sketching.rings import Profile, Winters
from pipeline.simulate.sketching.sketch import Course, Sketch, pick_outline, sketch
from pipeline.simulate.variety import Level, Variety

NAME = "mixed"
LIGHTINGS: tuple[tuple[str, float], ...] = (("dark", 0.6), ("white", 0.22), ("photocopy", 0.18))
KNOTS: dict[str, Knots] = {**lid.KNOTS, **photocopy.KNOTS, **card.KNOTS, **phone.KNOTS, **relief.KNOTS}
OUTLINES: tuple[tuple[str, float], ...] = tuple((name, 1 / len(KNOTS)) for name in KNOTS)
GROWTH = Growth(first=(0.35, 4.0), yearly_change=(0.72, 1.06), water_spread=(0.1, 0.35), own_spread=(0.06, 0.3))
ROUNDED = ("leaf", "shield", "paddle")  # outlines on which marks may close around the focus
CLOSED_CHANCE = 0.8  # that they do, on those
TURN_DEG = (1.5, 5.0)  # standard deviation of the knots' directions: outlines leave their families
REACH = (0.03, 0.10)  # and of the logarithm of their radii
KINDS = (("line", 0.25), ("band", 0.2), ("slope", 0.25), ("bundle", 0.2), ("halo", 0.1))
"""Profiles of winters: a sharp line; a broad, soft band; a slow fade with a sharp end; fine lines that run together;
a line before very opaque bone."""
PLAINEST = 0.9  # most loss of opacity


class _Host(Protocol):
    """A make that lends its light."""

    def lit(
        self, random: Random, plan: Plan, variety: Variety, make: str, bones: list[Sketch], words: tuple[str, ...]
    ) -> DrawnScan:
        """The bones of one scan in that light."""


HOSTS: dict[str, tuple[_Host, ...]] = {"dark": (card, phone, relief), "white": (lid,), "photocopy": (photocopy,)}


def draw_scan(random: Random, plan: Plan, variety: Variety) -> DrawnScan:
    """One scan as planned; all its bones have winters of one kind."""
    hosts = HOSTS[plan.lighting]
    host = hosts[int(random.integers(len(hosts)))]
    if host is phone:
        plan = replace(plan, dpi=min(plan.dpi, phone.LARGEST_DPI))
    kind = pick(random, KINDS)
    lives, words = draw_lives(random, plan, variety, GROWTH)
    bones = [_bone(random, life, plan, variety, kind) for life in lives]
    return host.lit(random, plan, variety, NAME, bones, words)


def _bone(random: Random, life: Life, plan: Plan, variety: Variety, kind: str) -> Sketch:
    outline = pick_outline(random, OUTLINES, variety)
    turn, reach, bend = random.uniform(*TURN_DEG), random.uniform(*REACH), random.uniform(0.004, 0.02)
    knots = KNOTS[outline]
    margin = draw_margin(random, knots, turn=turn, reach=reach, bend=bend, ease_deg=random.uniform(0.6, 4.0))
    course = _course(random, margin, outline in ROUNDED and random.random() < CLOSED_CHANCE)
    winters = _winters(random, plan.level, kind)
    return sketch(random, life, plan, outline, margin, course, random.uniform(0.0005, 0.008), winters)


def _course(random: Random, margin: MarginCurve, closed: bool) -> Course:
    """Marks that run like circles, points or small margins near the focus, and close around it or end at the edges."""
    old = margin.radius if closed else margin.front
    youngs: tuple[Float, ...] = (
        circle_about(random.uniform(-0.3, 0.4), random.uniform(-0.25, 0.25)),
        pointed(random.uniform(-0.6, 1.8)),
        np.asarray(old ** random.uniform(0.3, 1.6), np.float32),
    )
    return Course(
        young=youngs[int(random.integers(len(youngs)))],
        old=old,
        power=random.uniform(0.3, 3.0),
        wander=Wander(
            shared=random.uniform(0, 0.15),
            own=random.uniform(0.01, 0.12),
            wave_deg=random.uniform(8, 40),
            merge_chance=random.choice([0.0, 0.1, 0.25]),
        ),
    )


def _winters(random: Random, level: Level, kind: str) -> Winters:
    profile, width = {
        "line": (Profile(inner=random.uniform(0.15, 0.5), outer=random.uniform(0.08, 0.35)), random.uniform(0.4, 1.0)),
        "band": (Profile(inner=random.uniform(0.7, 1.0), outer=random.uniform(0.5, 0.9)), random.uniform(1.2, 2.4)),
        "slope": (Profile(inner=1.0, outer=random.uniform(0.04, 0.2)), random.uniform(1.8, 5.0)),
        "bundle": (
            Profile(inner=0.4, outer=0.3, lines=int(random.integers(2, 6))),
            random.uniform(0.8, 1.8),
        ),
        "halo": (
            Profile(
                inner=random.uniform(0.3, 0.8),
                outer=random.uniform(0.1, 0.3),
                halo=random.uniform(0.3, 1.0),
                halo_width=random.uniform(0.5, 1.5),
            ),
            random.uniform(0.6, 1.3),
        ),
    }[kind]
    return Winters(
        profile=profile,
        strength=min(random.uniform(1.0, 1.4) * random.uniform(*level.winter_loss), PLAINEST),
        width=width,
        reach=random.uniform(0.5, 1.5),
        floor=random.uniform(0.05, 0.8),
        patches=random.uniform(0.05, 0.35),
    )

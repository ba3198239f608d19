"""The bones of one scan, by whose they are."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.simulate.catch import draw_catch, draw_net, next_fish, next_sides, specimen
from pipeline.simulate.fish import DrawnFish, Growth
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import Plan
from pipeline.simulate.truth import Row
from pipeline.simulate.variety import Variety


@dataclass(frozen=True, slots=True, kw_only=True)
class Life:
    """One bone to draw: the fish it is of, its side (L or R), and its row of the specimens table."""

    fish: DrawnFish
    side: str
    row: Row


def draw_lives(random: Random, plan: Plan, variety: Variety, growth: Growth) -> tuple[list[Life], tuple[str, ...]]:
    """As many bones as planned, and the words on their label."""
    water, day = draw_net(random)
    catch = draw_catch(random, water, day, variety)
    lives: list[Life] = []
    while len(lives) < plan.bones:
        drawn = len(lives)
        fish = next_fish(random, catch, plan, variety, growth)
        for side in next_sides(random, plan.bones - drawn):
            lives.append(Life(fish=fish, side=side, row=specimen(fish, plan, drawn, side)))
    return lives, (water, f"{day:%Y-%m-%d}   no {plan.first}")

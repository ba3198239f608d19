"""Whose bones lie on a scan: mostly fish of one species and one catch; now and then both opercles of a fish."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TypeVar

import numpy as np

from pipeline.simulate.fish import SPECIES, WATERS, DrawnFish, Growth, Stock, catch_date, draw_fish
from pipeline.simulate.noise import Random
from pipeline.simulate.plan import Plan
from pipeline.simulate.truth import Row
from pipeline.simulate.variety import Variety

YEARS = (1996, 2024)  # of capture
BOTH_SIDES_CHANCE = 0.15  # on a tray: the next bone is the other one of the same fish
OTHER_SPECIES_CHANCE = 0.1  # that a bone on a tray is of another species than the catch
OTHER_CATCH_CHANCE = 0.25  # and of another catch
CATCH_DAYS = 10  # that one catch lasts

_Any = TypeVar("_Any")


@dataclass(frozen=True, slots=True, kw_only=True)
class Catch:
    """The net that most fish of a scan come from."""

    water: str
    day: date
    kinds: tuple[tuple[Stock, float], ...]
    """Species that may be drawn, with their shares."""
    species: Stock
    """Of most of its fish."""


def draw_net(random: Random) -> tuple[str, date]:
    """Water and day."""
    day = catch_date(random, int(random.integers(*YEARS)))
    return str(random.choice(WATERS)), day


def draw_catch(random: Random, water: str, day: date, variety: Variety) -> Catch:
    """What was caught there on that day."""
    kinds = tuple((s, share) for s, share in SPECIES if variety.species is None or s.name in variety.species)
    return Catch(water=water, day=day, kinds=kinds, species=pick(random, kinds))


def next_fish(random: Random, catch: Catch, plan: Plan, variety: Variety, growth: Growth | None = None) -> DrawnFish:
    """The next fish whose bone is laid on the scan; `growth` as in `fish.draw_fish`."""
    kind = pick(random, catch.kinds) if random.random() < OTHER_SPECIES_CHANCE else catch.species
    around = catch.day + timedelta(days=int(random.integers(0, CATCH_DAYS)))
    if plan.bones == 1 or random.random() < OTHER_CATCH_CHANCE:
        around = catch_date(random, catch.day.year)
    increments = None if variety.increments is None else tuple(float(v) for v in variety.increments)
    return draw_fish(random, plan.level, kind, catch.water, around, plan.px_per_mm, increments, growth)


def next_sides(random: Random, room: int) -> tuple[str, ...]:
    """Which opercles of a fish are laid on the scan, where `room` bones have still to come: L, R, or both."""
    both = room >= 2 and random.random() < BOTH_SIDES_CHANCE
    return ("L", "R") if both else (str(random.choice(["L", "R"])),)


def specimen(fish: DrawnFish, plan: Plan, drawn: int, side: str) -> Row:
    """Columns of the specimens table; `drawn`: bones laid on the scan before this fish."""
    name = f"F{plan.first + drawn:05d}"
    return {
        "specimen": name + side, "fish": name, "species": fish.species.name, "water": fish.water,
        "captured": fish.captured.isoformat(), "length_mm": fish.length_mm, "weight_g": fish.weight_g, "sex": fish.sex,
        "maturity": fish.maturity, "side": side,
    }  # fmt: skip


def pick(random: Random, shares: tuple[tuple[_Any, float], ...]) -> _Any:
    """One of several things, each with its share."""
    chances = np.array([p for _, p in shares])
    return shares[int(random.choice(len(shares), p=chances / chances.sum()))][0]

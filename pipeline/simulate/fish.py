"""A fish with a known life: when it hatched, how its opercle grew in each year, and when it was caught."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from pipeline.simulate.noise import Array, Random
from pipeline.simulate.variety import Level, Range


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """Growth of an invented stock of a species; plausible, from no survey."""

    name: str
    asymptote_mm: float
    """Mean length that old females approach."""
    rate: float
    """1/year, at which they approach it (von Bertalanffy)."""
    start_age: float
    """Years; the age at which the curve would begin at length 0."""
    oldest: int
    bone_share: float
    """Length of the opercle's growth axis as a share of total length."""
    maturity_mm: float
    weight_log10: float
    """Logarithm of the weight in grams of a fish of 1 mm, on the power curve."""
    weight_power: float


SPECIES: tuple[tuple[Stock, float], ...] = (
    (
        Stock(
            name="walleye",
            asymptote_mm=640,
            rate=0.26,
            start_age=-0.2,
            oldest=17,
            bone_share=0.057,
            maturity_mm=390,
            weight_log10=-5.40,
            weight_power=3.16,
        ),
        0.45,
    ),
    (
        Stock(
            name="yellow perch",
            asymptote_mm=310,
            rate=0.30,
            start_age=-0.3,
            oldest=11,
            bone_share=0.056,
            maturity_mm=165,
            weight_log10=-5.33,
            weight_power=3.20,
        ),
        0.37,
    ),
    (
        Stock(
            name="sauger",
            asymptote_mm=455,
            rate=0.31,
            start_age=-0.3,
            oldest=12,
            bone_share=0.057,
            maturity_mm=285,
            weight_log10=-5.46,
            weight_power=3.18,
        ),
        0.18,
    ),
)

WATERS = ("Sedge Lake", "Lake Orrin", "Birch Narrows", "Millrace Reservoir", "Tallow Bay")  # invented
MALE_SIZE = 0.90  # males stay smaller
SIZE_SPREAD = 0.09  # standard deviation of the logarithm of the asymptote between fish
RATE_SPREAD = 0.14  # likewise of the rate
YEAR_SPREAD = 0.15  # of a calendar year's growth in one water, shared by all its fish
OWN_YEAR_SPREAD = (0.06, 0.22)  # of one fish's growth in one year, range between fish
IRREGULAR_CHANCE = 0.22  # that a fish's years are so uneven that age hardly shows in them
IRREGULAR_SPREAD = 0.42  # of the logarithm of such a fish's yearly growth
IRREGULAR_DECLINE = 0.93  # a year, of such a fish's mean growth
FIRST_YEAR_LEAST = 0.55  # of the curve's first year: a smaller fish does not live through its first winter
SPAWNING_GROWTH = 0.88  # growth of a mature fish against the curve
BONE_SHARE_SPREAD = 0.05  # standard deviation of the logarithm of the opercle's share between fish
LENGTH_ERROR = 0.015  # of the length as measured
WEIGHT_SPREAD = 0.10  # of the logarithm of weight at length
WINTER_SHARE = (0.07, 0.34)  # of a year's increment, mean of a bone: from thin lines to a third
WINTER_SPREAD = 0.18  # of its logarithm between the winters of a bone
WINTER_LIMITS = (0.04, 0.42)
RESUMES_ON = 122.0  # day of the year on which a one-year-old shows new opaque growth, mean
RESUMES_LATER = 2.6  # days a year of age: old fish start later
RESUMES_SPREAD = 11.0  # days between fish
RESUMES_LIMITS = (92.0, 190.0)
WATER_OFFSET = 8.0  # days between waters, standard deviation
HATCHED_ON = 128.0  # day of the year
STOPS_ON = 297.0  # day of the year on which opaque growth stops, mean
STOPS_SPREAD = 12.0
FIRST_RIM = (0.05, 0.12)  # share of the year's opaque growth there must be before anyone calls the annulus formed
RADIUS_MM = (4.0, 46.0)  # growth axis of a bone that is drawn
CATCH_MONTHS = (4, 3, 4, 10, 13, 9, 8, 9, 14, 14, 8, 4)  # share of the catch in percent: spring and autumn nettings
SEXES = (("F", 0.48), ("M", 0.40), ("U", 0.12))  # share of the catch
MATURITY_SPREAD = 0.08  # of the logarithm of the length at maturity
UNKNOWN_MATURITY = 0.12  # share of fish whose gonads nobody looked at
WINTER_GROWTH = 0.9  # share of the winter zone there is on the day before growth resumes
EARLY_GROWTH = (1.0, 1.7)  # power of the season that is left: above 1, more of the growth comes early
YOUNGER = 0.8  # of the oldest age is given up by the last attempt to find a fish
ATTEMPTS = 80  # to find a fish whose increments a scan of this resolution can show


@dataclass(frozen=True, slots=True, kw_only=True)
class Growth:
    """How the years of a fish's life compare, where they follow no growth curve. Ranges are drawn from evenly."""

    first: Range
    """Growth of the first year against the second (drawn evenly by its logarithm)."""
    yearly_change: Range
    """Of growth from one year to the next: 1 for even years, 0.75 where growth falls off quickly."""
    water_spread: Range
    """Standard deviation of the logarithm of a year's growth, shared by all fish of a water in a calendar year."""
    own_spread: Range
    """The same for one fish alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawnFish:
    """One animal, in real units."""

    species: Stock
    water: str
    captured: date
    sex: str
    maturity: str
    length_mm: int
    weight_g: float
    age_class: int
    """Calendar year of capture less that of hatching: every fish has its birthday on 1 January."""
    annuli_mm: tuple[float, ...]
    """Radius of each complete annulus on the growth axis."""
    next_mm: float
    """Radius that the annulus after the last will have: it lies beyond the margin."""
    margin_mm: float
    winter_shares: tuple[float, ...]
    """Of each increment, the one under way included: how much of it is winter zone."""

    @property
    def annuli(self) -> int:
        """The true count."""
        return len(self.annuli_mm)


def draw_fish(
    random: Random,
    level: Level,
    species: Stock,
    water: str,
    around: date,
    px_per_mm: float,
    increments: tuple[float, ...] | None = None,
    growth: Growth | None = None,
) -> DrawnFish:
    """A fish caught about a date, whose increments are wide enough for the level at this resolution.

    `increments`: a series of good and poor years, of which the fish lives through some consecutive run. Without it,
    `growth` tells how its years compare; without both they follow the species' growth curve, mostly.
    """
    for attempt in range(ATTEMPTS):
        fish = _live(random, level, species, water, around, increments, growth, ease=attempt / ATTEMPTS)
        radii = np.array((0.0, *fish.annuli_mm))
        narrowest = float(np.diff(radii).min(initial=np.inf)) * px_per_mm
        rim = (fish.margin_mm - radii[-1]) * px_per_mm if fish.annuli else np.inf
        if (
            RADIUS_MM[0] <= fish.margin_mm <= RADIUS_MM[1]
            and narrowest >= level.least_increment_px
            and rim >= level.least_rim_px
        ):
            return fish
        if attempt % 20 == 19:  # a clean bone cannot be had from fish that have only just resumed growth
            around += timedelta(days=25)
    return fish


def _live(
    random: Random,
    level: Level,
    species: Stock,
    water: str,
    around: date,
    increments: tuple[float, ...] | None,
    growth: Growth | None,
    ease: float,
) -> DrawnFish:
    """One try at a fish; `ease` from 0 to 1 makes it younger."""
    day = around.timetuple().tm_yday
    low, high = level.ages[0] * species.oldest, level.ages[1] * species.oldest * (1 - YOUNGER * ease)
    age = round(random.uniform(low, max(high, low + 1.0)))
    if age == 0 and day < HATCHED_ON + 60:
        age = 1
    sex = str(random.choice([s for s, _ in SEXES], p=[share for _, share in SEXES]))
    offset = np.random.default_rng([WATERS.index(water)]).normal(0, WATER_OFFSET) if water in WATERS else 0.0
    resumed = float(
        np.clip(random.normal(RESUMES_ON + RESUMES_LATER * max(age - 1, 0) + offset, RESUMES_SPREAD), *RESUMES_LIMITS)
    )
    annuli = max(age - 1, 0) if day < resumed else age
    yearly = _yearly_growth(random, species, sex, water, around.year - age, age + 1, increments, growth)
    share = species.bone_share * np.exp(random.normal(0, BONE_SHARE_SPREAD))
    radii = np.cumsum(yearly) * share
    mean_winter = random.uniform(*WINTER_SHARE)
    winters = np.clip(mean_winter * np.exp(random.normal(0, WINTER_SPREAD, age + 1)), *WINTER_LIMITS)
    before = radii[annuli - 1] if annuli else 0.0
    done = _share_of_year(random, day, resumed, float(winters[annuli]), first=annuli == 0 and age == 0)
    margin = float(before + (radii[annuli] - before) * done)
    length = margin / share * np.exp(random.normal(0, LENGTH_ERROR))
    weight = 10 ** (species.weight_log10 + species.weight_power * np.log10(length)) * np.exp(
        random.normal(0, WEIGHT_SPREAD)
    )
    grown = length > species.maturity_mm * np.exp(random.normal(0, MATURITY_SPREAD))
    maturity = "unknown" if random.random() < UNKNOWN_MATURITY else "mature" if grown else "immature"
    return DrawnFish(
        species=species,
        water=water,
        captured=around,
        sex=sex,
        maturity=maturity,
        length_mm=round(length),
        weight_g=round(weight, 1),
        age_class=age,
        annuli_mm=tuple(radii[:annuli].tolist()),
        next_mm=float(radii[annuli]),
        margin_mm=margin,
        winter_shares=tuple(winters[: annuli + 1].tolist()),
    )


def _yearly_growth(
    random: Random,
    species: Stock,
    sex: str,
    water: str,
    hatched: int,
    years: int,
    increments: tuple[float, ...] | None,
    growth: Growth | None,
) -> Array:
    """Growth in body length (mm) in each year of life; the first year counts from length 0."""
    asymptote = species.asymptote_mm * (MALE_SIZE if sex == "M" else 1.0) * np.exp(random.normal(0, SIZE_SPREAD))
    rate = species.rate * np.exp(random.normal(0, RATE_SPREAD))
    curve = asymptote * (1 - np.exp(-rate * (np.arange(years + 1) - species.start_age)))
    curve[0] = 0.0
    yearly = np.diff(curve)
    if increments is not None:
        start = int(random.integers(0, max(len(increments) - years, 0) + 1))
        run = np.resize(np.array(increments, float)[start : start + years], years)
        return np.asarray(yearly * run)
    if growth is not None:
        return _uneven_growth(random, growth, water, hatched, float(curve[-1]), years)
    if random.random() < IRREGULAR_CHANCE:
        uneven = IRREGULAR_DECLINE ** np.arange(years) * np.exp(random.normal(0, IRREGULAR_SPREAD, years))
        uneven *= curve[-1] / uneven.sum()
        uneven[0] = max(uneven[0], FIRST_YEAR_LEAST * yearly[0])
        return np.asarray(uneven)
    yearly[curve[:-1] > species.maturity_mm] *= SPAWNING_GROWTH
    shared = [_good_year(water, hatched + k) for k in range(years)]
    return np.asarray(yearly * np.exp(shared + random.normal(0, random.uniform(*OWN_YEAR_SPREAD), years)))


def _uneven_growth(random: Random, growth: Growth, water: str, hatched: int, length_mm: float, years: int) -> Array:
    """Growth in each year of life of a fish that ends with the length given, its years as `growth` has them."""
    change = np.log(random.uniform(*growth.yearly_change))
    yearly = change * np.arange(years, dtype=float)
    yearly[0] = change + np.log(growth.first[0]) + random.random() * np.log(growth.first[1] / growth.first[0])
    shared = random.uniform(*growth.water_spread) / YEAR_SPREAD
    yearly += [shared * _good_year(water, hatched + k) for k in range(years)]
    yearly = np.exp(yearly + random.normal(0, random.uniform(*growth.own_spread), years))
    return np.asarray(yearly * length_mm / yearly.sum())


def _good_year(water: str, year: int) -> float:
    """Logarithm of a calendar year's growth in a water against the mean: the same for all its fish."""
    key = [sum(ord(c) << (i % 16) for i, c in enumerate(water)), year]
    return float(np.random.default_rng(key).normal(0, YEAR_SPREAD))


def _share_of_year(random: Random, day: int, resumed: float, winter: float, first: bool) -> float:
    """Share of the growth year's increment laid down by a day of the calendar year.

    The growth year runs from one resumption of opaque growth to the next: opaque growth until autumn, then the
    winter zone.
    """
    stops = random.normal(STOPS_ON, STOPS_SPREAD)
    begin = HATCHED_ON if first else resumed
    if day < begin:
        return float(1 - winter * (1 - (day + 365 - stops) / (resumed + 365 - stops)) * WINTER_GROWTH)
    if day >= stops:
        return float(1 - winter * (1 - WINTER_GROWTH * (day - stops) / (resumed + 365 - stops)))
    season = (day - begin) / (stops - begin)
    rim = 0.0 if first else random.uniform(*FIRST_RIM)
    early = random.uniform(*EARLY_GROWTH)
    return float((1 - winter) * (rim + (1 - rim) * (1 - (1 - season) ** early)))


def catch_date(random: Random, year: int) -> date:
    """A day on which nets were lifted."""
    month = int(random.choice(12, p=np.array(CATCH_MONTHS) / sum(CATCH_MONTHS))) + 1
    return date(year, month, int(random.integers(1, 29)))

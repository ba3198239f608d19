"""What the calendar tells of a bone: has this year's annulus formed, and how much of the year's increment is laid down?

Everything is reckoned in a northern calendar of 366 days (29 February always has its place, so a day of the year is
the same day in every year). Southern fish are moved by half a year before anything else is asked, so that for both
hemispheres a growth year begins on 1 January in mid-winter, the annulus forms in spring and growth ends in autumn.

A fish whose annulus of this growth year has formed carries at its margin a share of a new increment that follows the
season. A fish whose annulus has not formed carries the whole increment of the year before. A `share` is growth beyond
the last annulus over the increment expected there (`increments.increment_expected`).
"""

from __future__ import annotations

import calendar
import math
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.records import Captured, Numbers
from pipeline.settings.second_pass import SeasonSettings

DAYS = 366
"""Days of the calendar used here."""
MOST_ANNULI = 80
"""Rows of the tables: above the highest `growth.most_annuli` that settings allow."""
FORMING_STEPS = 48
"""Formation days, of equal probability, over which growth since formation is averaged: finer than two days."""
PASSING_STEPS = 4096
"""Steps over the window between which the formation days are interpolated: half an hour."""
NEVER = 1e-9
"""Probability of what is all but impossible: keeps logarithms finite."""
MOST_SHARE = 3.0
"""Shares above this are taken for it: three years' growth beyond the last mark is no edge but a missed mark."""
_LEAP_YEAR = 2000
_MONTH_STARTS = np.cumsum([0, *(calendar.monthrange(_LEAP_YEAR, m)[1] for m in range(1, 12))])


@dataclass(frozen=True, slots=True, eq=False)
class Days:
    """The days on which a fish may have been captured, all equally likely; one day when the date is complete."""

    year: NDArray[np.int64]
    """(day,): growth year, northern calendar; a fish that hatched in it is of the year class with that number."""
    day: NDArray[np.int64]
    """(day,): 0 (1 January) to 365, northern calendar."""
    after_birthday: NDArray[np.bool_]
    """(day,): the birthday of this growth year has come."""


@dataclass(frozen=True, slots=True, eq=False)
class SeasonTable:
    """What a season's settings say for each day of the year and annulus: (366, `MOST_ANNULI` + 1) each.

    Column n speaks of fish for which this growth year's annulus is number n; column 0 of fish that hatched in this
    growth year.
    """

    formed: Numbers
    """Probability that the annulus has formed and shows."""
    log_mean: Numbers
    """Mean of log(share + margin_noise), of the share of the increment beyond it that has been laid down since, for
    those that have formed it."""
    log_spread: Numbers
    """Standard deviation of the same between fish, from the days on which they formed it and from good and poor
    years."""


@lru_cache(maxsize=4096)
def possible_days(captured: Captured, season: SeasonSettings) -> Days:
    """The days a capture date may stand for: one, or every day of its month or year."""
    months = range(1, 13) if captured.month is None else [captured.month]
    days = [
        date(captured.year, month, day)
        for month in months
        for day in (
            range(1, calendar.monthrange(captured.year, month)[1] + 1) if captured.day is None else [captured.day]
        )
    ]
    south = season.hemisphere == "south"
    year = np.array([d.year - (south and d.month < 7) for d in days])
    day = np.array([_half_a_year_earlier(d.month, d.day) if south else _day_of_year(d.month, d.day) for d in days])
    return Days(year=year, day=day, after_birthday=day >= _day_named(season.birthday))


@lru_cache(maxsize=256)
def season_table(season: SeasonSettings) -> SeasonTable:
    """Tables of `season` for every day and annulus; worked out once for each season's settings."""
    begins, ends, stops = (_day_named(d) for d in (season.forming_begins, season.forming_ends, season.growth_ends))
    annulus = np.arange(MOST_ANNULI + 1)
    later = season.forming_later_per_annulus_days * np.maximum(annulus - 1, 0)
    # Old fish begin later, but all are done by the window's end: at most half of the window is lost.
    first = np.minimum(begins + later, (begins + ends) / 2)
    width = ends - first
    day = np.arange(DAYS)[:, None]
    in_window = formed_within(np.clip((day + 0.5 - first) / width, 0, 1))
    # A few fish, and mistaken dates, lie outside any window: a normal as wide as the window itself.
    outside = normal((day + 0.5 - (first + ends) / 2) / ((ends - begins) / 2))
    formed = (1 - season.date_outliers) * in_window + season.date_outliers * outside
    formed = np.clip(formed, NEVER, 1 - NEVER)

    steps = (np.arange(FORMING_STEPS) + 0.5) / FORMING_STEPS
    passing = np.linspace(0, 1, PASSING_STEPS + 1)
    formed_on = first + width * np.interp(steps, formed_within(passing), passing)[:, None]  # (step, annulus)
    passed = (day[:, None, :] - formed_on) / (stops - formed_on)  # (day, step, annulus)
    grown = _growth_curve(passed)
    counts = passed >= 0
    number = np.maximum(counts.sum(axis=1), 1)
    share = np.where(counts, grown, 0.0).sum(axis=1) / number
    variance = np.where(counts, (grown - share[:, None, :]) ** 2, 0.0).sum(axis=1) / number
    noise = season.margin_noise
    log_spread = np.sqrt(season.increment_spread**2 + variance / (share + noise) ** 2)
    tables = (formed, np.log(share + noise), log_spread)
    for table in tables:
        table.flags.writeable = False
    return SeasonTable(*tables)


def formed_probability(captured: Captured, annuli: ArrayLike, season: SeasonSettings) -> Numbers:
    """Probability that this growth year's annulus, the one with number `annuli` (any shape), has formed and shows.

    An incomplete date is averaged over its possible days.
    """
    number = _numbers(annuli)
    mean: Numbers = season_table(season).formed[possible_days(captured, season).day].mean(axis=0)[number]
    return mean


def formed_log_odds(annuli: ArrayLike, day: ArrayLike, table: SeasonTable) -> Numbers:
    """Prior log odds that a fish with `annuli` marks captured on `day` (0 to 365) has formed this year's annulus.

    Formed, the fish's last mark is this year's, number `annuli`; not formed, number `annuli` + 1 is still due. Year
    classes are taken to be equally strong. Arguments broadcast.
    """
    number, when = np.broadcast_arrays(_numbers(annuli), np.asarray(day))
    odds: Numbers = np.log(table.formed[when, number]) - np.log1p(-table.formed[when, number + 1])
    return odds


def margin_log_densities(
    share: ArrayLike, annuli: ArrayLike, day: ArrayLike, season: SeasonSettings
) -> tuple[Numbers, Numbers]:
    """Log density of the margin's share, the annulus formed and not formed, on a day of the year; arguments broadcast.

    log(share + margin_noise) is normal about the share expected, with the spread of increments and of formation days;
    a part `margin_outliers` is uniform up to `MOST_SHARE`. A share that is NaN (not known) says nothing: both are the
    same.
    """
    table, noise = season_table(season), season.margin_noise
    x, number, when = np.broadcast_arrays(np.asarray(share, dtype=np.float64), _numbers(annuli), np.asarray(day))
    known = ~np.isnan(x)
    log_share = np.log(np.clip(np.where(known, x, 1.0), 0.0, MOST_SHARE) + noise)
    formed = _with_outliers(log_share, table.log_mean[when, number], table.log_spread[when, number], season)
    due = _with_outliers(log_share, np.log1p(noise), season.increment_spread, season)
    unknown = -np.log(MOST_SHARE)
    return np.where(known, formed, unknown), np.where(known, due, unknown)


def _with_outliers(log_share: Numbers, mean: ArrayLike, spread: ArrayLike, season: SeasonSettings) -> Numbers:
    """Log density per unit of share of a shifted log-normal with a uniform part."""
    m, s = np.asarray(mean, dtype=np.float64), np.asarray(spread, dtype=np.float64)
    normal = -0.5 * ((log_share - m) / s) ** 2 - np.log(s) - 0.5 * np.log(2 * np.pi) - log_share
    part = season.margin_outliers
    return np.asarray(np.logaddexp(np.log1p(-part) + normal, np.log(part / MOST_SHARE)))


def formed_within(passed: Numbers) -> Numbers:
    """Share of the fish that have formed the annulus when `passed` of the window, 0 to 1, is over.

    The beta distribution with shapes 2 and 3: most in the window's first half, stragglers to its end. Perch of southern
    England form theirs in May at the start of growth (Mann 1978), yellow perch of Lake Michigan from late spring, all
    by late July (Baker & McComish): a long right tail. In closed form, as is `normal`: the library that has both takes
    as long to import as a bone or two to read.
    """
    return np.asarray(passed**2 * (6 - 8 * passed + 3 * passed**2))


def normal(deviation: Numbers) -> Numbers:
    """The standard normal distribution function."""
    flat = [0.5 * math.erfc(-z * math.sqrt(0.5)) for z in deviation.ravel().tolist()]
    return np.array(flat).reshape(deviation.shape)


def _growth_curve(passed: Numbers) -> Numbers:
    """Share of an increment laid down when `passed` of the growing season is over: slow, fast in mid-season, slow."""
    x = np.clip(passed, 0.0, 1.0)
    return x * x * (3 - 2 * x)


def _numbers(annuli: ArrayLike) -> NDArray[np.int64]:
    return np.clip(np.asarray(annuli, dtype=np.int64), 0, MOST_ANNULI - 1)


def _day_of_year(month: int, day: int) -> int:
    return int(_MONTH_STARTS[month - 1]) + day - 1


def _half_a_year_earlier(month: int, day: int) -> int:
    """Day of the year six months before; the end of a long month falls on the end of a shorter one."""
    earlier = (month + 5) % 12 + 1
    return _day_of_year(earlier, min(day, calendar.monthrange(_LEAP_YEAR, earlier)[1]))


def _day_named(month_day: str) -> int:
    return _day_of_year(int(month_day[:2]), int(month_day[3:]))

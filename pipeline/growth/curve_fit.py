"""A growth curve of some fish, with intervals: over the fish, and over how old each of them may be.

Where ages are uncertain the fish of a length are shared out over the ages they may have, the likelier ones given their
length first, and the curve is fitted to that; both again until neither changes (expectation and maximisation of the
likelihood of lengths that scatter normally about the curve). Fish taken for older or younger than they are would
otherwise flatten it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from pipeline.estimate import Estimate
from pipeline.growth.ages import Ages
from pipeline.growth.curves import Curve, fitted
from pipeline.growth.estimate import Whole, of_draws, tail_of_draws
from pipeline.records import Numbers

MOST_STEPS = 300
SETTLED = 1e-5
"""Relative change of every parameter below which the alternation has come to its end."""
STEPS_A_DRAW = 4
"""Alternations in each draw: it begins at the figures of all fish, which are near."""
BAND_POINTS = 60
LEAST_AGES = 4
"""Different ages for a curve of three parameters: with three it would go through every mean."""
LEAST_AGES_OF_A_LINE = 3
MOST_ASYMPTOTE = 1.5
"""Times the longest fish; a larger asymptote is beyond what the fish can show."""
LEAST_DRAWS_WITH_ASYMPTOTE = 0.5
"""Share; where fewer draws have an asymptote, it is a coin's toss whether the fish show one."""

Tick = Callable[[], object]


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveDemands:
    """What a curve asks of its fish."""

    least_fish: int
    draws: int
    seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveFit:
    """One curve fitted, or the reason why not."""

    curve: Curve
    n: int
    """Fish."""
    refused: str = ""
    """Why there is no curve, in words; blank when there is one."""
    parameters: Mapping[str, Estimate] = field(default_factory=dict)
    sd_mm: float | None = None
    """Standard deviation of lengths about the curve."""
    band: tuple[tuple[float, float, float, float], ...] = ()
    """(age, length, low, high) along the curve, from the youngest to the oldest fish."""
    draws: int = 0
    without_asymptote: int = 0
    """Draws in which no asymptote was found."""

    def values(self) -> Numbers:
        """The parameters alone."""
        return np.array([e.value for e in self.parameters.values()], np.float64)


def curve_fit(
    curve: Curve, length_mm: Numbers, ages: Ages, limits: CurveDemands, tick: Tick = lambda: None
) -> CurveFit:
    """Fit a curve to (fish,) total lengths (mm) and their ages. `tick` is called once for every draw."""
    n = length_mm.size
    refused = _too_few(curve, n, ages, limits)
    found = None if refused else _alternate(curve, length_mm, ages, np.ones(n), None, MOST_STEPS)
    if not refused:
        refused = _no_asymptote(curve, found.parameters if found else None, length_mm)
    if refused or found is None:
        for _ in range(limits.draws):
            tick()
        return CurveFit(curve=curve, n=n, refused=refused)
    return _with_intervals(curve, length_mm, ages, found, limits, tick)


def _too_few(curve: Curve, n: int, ages: Ages, limits: CurveDemands) -> str:
    if n < limits.least_fish:
        return f"no {curve.title} curve: {n} fish, and it takes {limits.least_fish}"
    distinct = int((np.bincount(ages.chance.argmax(axis=1)) > 0).sum())
    least = LEAST_AGES if curve.asymptotic else LEAST_AGES_OF_A_LINE
    if distinct < least:
        return f"no {curve.title} curve: fish of {distinct} different ages, and it takes {least}"
    return ""


def _no_asymptote(curve: Curve, parameters: Numbers | None, length_mm: Numbers) -> str:
    longest = float(length_mm.max())
    if parameters is None:
        return f"no {curve.title} curve: these lengths do not level off with age, so there is no asymptote to find"
    if curve.asymptotic and parameters[0] > MOST_ASYMPTOTE * longest:
        return (
            f"no {curve.title} curve: its asymptote would be {parameters[0]:.0f} mm, over "
            f"{MOST_ASYMPTOTE:g} times the longest fish ({longest:.0f} mm); these fish do not show where "
            "growth ends"
        )
    return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _State:
    parameters: Numbers
    sd: float
    share: Numbers


def _alternate(
    curve: Curve, length: Numbers, ages: Ages, times: Numbers, begin: _State | None, most: int
) -> _State | None:
    """The curve when every fish counts `times`; None without one."""
    years = ages.ages.astype(np.float64)
    share = begin.share if begin else np.full(years.size, 1 / years.size)
    chance = ages.chance * share if ages.likelihood else ages.chance
    if begin:
        chance = _given_length(chance, length, curve.length(years, begin.parameters), begin.sd)
    else:
        chance = chance / chance.sum(axis=1, keepdims=True)
    parameters = begin.parameters if begin else None
    sd = begin.sd if begin else 0.0
    for _ in range(most):
        counted = times @ chance
        mean = (times * length) @ chance / np.maximum(counted, 1e-12)
        new = fitted(curve, years, counted, mean, parameters)
        if new is None:
            return None
        expected = curve.length(years, new)
        squares = (times * length**2) @ chance - 2 * expected * counted * mean + expected**2 * counted
        sd = float(np.sqrt(max(squares.sum() / times.sum(), 1e-12)))
        change = np.inf if parameters is None else np.abs(new - parameters).max() / np.abs(new).max()
        parameters = new
        if ages.certain or change < SETTLED:
            break
        if ages.likelihood:
            share = counted / counted.sum()
        chance = _given_length(ages.chance * share if ages.likelihood else ages.chance, length, expected, sd)
    return None if parameters is None else _State(parameters=parameters, sd=sd, share=share)


def _given_length(chance: Numbers, length: Numbers, expected: Numbers, sd: float) -> Numbers:
    """(fish, age): probability of each age, given the fish's length too."""
    off = np.where(chance > 0, ((length[:, None] - expected[None, :]) / sd) ** 2, np.inf)
    off -= off.min(axis=1, keepdims=True)
    joint = chance * np.exp(-0.5 * off)
    return np.asarray(joint / joint.sum(axis=1, keepdims=True))


def _with_intervals(
    curve: Curve, length: Numbers, ages: Ages, found: _State, limits: CurveDemands, tick: Tick
) -> CurveFit:
    n = length.size
    random = np.random.default_rng(limits.seed)
    seen = ages.ages[np.flatnonzero(np.bincount(ages.chance.argmax(axis=1), minlength=ages.ages.size))]
    grid = np.linspace(float(seen[0]), float(seen[-1]), BAND_POINTS)
    drawn, bands, without = [], [], 0
    steps = 1 if ages.certain else STEPS_A_DRAW
    for _ in range(limits.draws):
        times = np.bincount(random.integers(0, n, n), minlength=n).astype(np.float64)
        taken = times > 0
        sample = Ages(ages=ages.ages, chance=ages.chance[taken], likelihood=ages.likelihood)
        state = _alternate(curve, length[taken], sample, times[taken], found, steps)
        if state is None:
            without += 1
        else:
            drawn.append(state.parameters)
            bands.append(curve.length(grid, state.parameters))
        tick()
    if without > (1 - LEAST_DRAWS_WITH_ASYMPTOTE) * limits.draws:
        why = f"no {curve.title} curve: in {without} of {limits.draws} draws of these fish no asymptote was found"
        return CurveFit(curve=curve, n=n, refused=why)
    tail = tail_of_draws(n, len(curve.parameters))
    # A draw without an asymptote has an infinite one, which it approaches at rate zero.
    lost = {name: np.inf if i == 0 else -np.inf for i, name in enumerate(curve.parameters)}
    parameters = {
        name: of_draws(
            float(found.parameters[i]), np.array([*(p[i] for p in drawn), *[lost[name]] * without], np.float64), tail
        )
        for i, name in enumerate(curve.parameters)
    }
    limits_of_band = np.quantile(np.array(bands), [tail, 1 - tail], axis=0)
    at = curve.length(grid, found.parameters)
    return CurveFit(
        curve=curve,
        n=n,
        parameters=parameters,
        sd_mm=found.sd,
        band=tuple(zip(grid.tolist(), at.tolist(), *limits_of_band.tolist(), strict=True)),
        draws=limits.draws,
        without_asymptote=without,
    )


def residual_squares(curve: Curve, length_mm: Numbers, age: Whole) -> float | None:
    """Sum of squares (mm2) about the curve of fish whose ages are taken as given; None without a curve."""
    years = np.arange(age.min(), age.max() + 1)
    counted = np.bincount(age - years[0], minlength=years.size).astype(np.float64)
    mean = np.bincount(age - years[0], length_mm, minlength=years.size) / np.maximum(counted, 1)
    found = fitted(curve, years.astype(np.float64), counted, mean)
    return None if found is None else float(((length_mm - curve.length(age.astype(np.float64), found)) ** 2).sum())

"""Bones whose good and poor years fit those of their water distinctly better with one annulus more or fewer.

Every way to be one off is tried: each annulus taken away, one put between each two, before the first and after the
last. What lies nearer to the focus than the change then belongs to other calendar years. Of all these the likeliest is
held against the count as it stands, by how much more probable the water's years make either than no years would: only
that gain counts, since how evenly the increments shrink was weighed when the bone was aged. The bone's own share in its
water's years is taken out first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.growth.increments import GrowthHistory
from pipeline.growth.year_effects import Chronology
from pipeline.records import Numbers

LEAST_ANNULI = 4
"""Of shorter lives the years say too little."""
LEAST_GAIN = 2.3
"""Logarithm of odds (10 to 1) by which the years must speak for the other count: of drawn fish one right bone in fifty
reaches it (tests/studies/README.md)."""
PLACES = 15
"""Where in a gap an annulus that nobody saw may lie, tried evenly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """How one count fits the water's years."""

    annuli: int
    where: str
    """`as counted`, `without annulus 3`, `one more after annulus 3`, `one more before annulus 1`."""
    gain: float
    """Logarithm of how much more probable the increments are with the water's years than without."""
    likelihood: float
    """Logarithm of how probable they are with the water's years; against that of other counts of this bone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A fish and two fits of its count."""

    grown: GrowthHistory
    counted: Fit
    other: Fit
    """The likeliest with one annulus more or fewer."""

    @property
    def gain(self) -> float:
        """By how much the other count fits the years better, as a logarithm of odds; zero where it is less likely."""
        return self.other.gain - self.counted.gain if self.other.likelihood > self.counted.likelihood else 0.0


def best_fits(grown: Sequence[GrowthHistory], years: Chronology) -> tuple[Suspect, ...]:
    """Of every fish with enough annuli: its fit as counted, and the likeliest with one more or one fewer."""
    if years.refused:
        return ()
    model = _Model.of(years)
    out = []
    for g in grown:
        if g.marks_mm.size >= LEAST_ANNULI:
            fits = model.without_own_share(g).fits(g)
            out.append(Suspect(grown=g, counted=fits[0], other=max(fits[1:], key=lambda f: f.likelihood)))
    return tuple(out)


def suspects(grown: Sequence[GrowthHistory], years: Chronology) -> tuple[Suspect, ...]:
    """Those whose other count fits the years better by at least `LEAST_GAIN`, the most plainly so first."""
    found = [s for s in best_fits(grown, years) if s.gain >= LEAST_GAIN]
    return tuple(sorted(found, key=lambda s: (-s.gain, s.grown.fish.fish)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Model:
    first_year: int
    effect: Numbers
    """(year,): years that nobody knows are middling."""
    fish: Numbers
    """(year,)."""
    by_life: Numbers
    """(year of life,): mean logarithm of the increment."""
    between: float
    """Variance between fish."""
    within: float
    of_years: float
    """Variance of the years' effects."""

    @classmethod
    def of(cls, years: Chronology) -> _Model:
        first = years.years[0].year
        effect, fish = np.zeros((2, years.years[-1].year - first + 1))
        for y in years.years:
            effect[y.year - first] = y.effect.value or 0.0
            fish[y.year - first] = y.fish
        return cls(
            first_year=first,
            effect=effect,
            fish=fish,
            by_life=np.array(years.by_year_of_life),
            between=years.sd_between_fish**2,
            within=years.sd_within_fish**2,
            of_years=float(np.var(effect[fish > 0])),
        )

    def without_own_share(self, g: GrowthHistory) -> _Model:
        """The years as the other fish tell them, drawn towards the mean where these are few."""
        at = np.array(g.years) - self.first_year
        inside = (at >= 0) & (at < self.effect.size)
        rest = np.log(g.increments_mm) - self.expected(g.marks_mm.size)
        rest = rest - np.mean(rest)
        effect, fish = self.effect.copy(), self.fish.copy()
        at, rest = at[inside], rest[inside]
        others = np.maximum(fish[at] - 1, 0)
        effect[at] = np.where(others > 0, (fish[at] * effect[at] - rest) / np.maximum(others, 1), 0.0)
        fish[at] = others
        trust = self.of_years / (self.of_years + self.within / np.maximum(fish, 0.5))
        return _Model(
            first_year=self.first_year,
            effect=effect * trust,
            fish=fish,
            by_life=self.by_life,
            between=self.between,
            within=self.within,
            of_years=self.of_years,
        )

    def expected(self, annuli: int) -> Numbers:
        """(year of life,): beyond the oldest fish known, as in its last year."""
        known = self.by_life[:annuli]
        return np.concatenate([known, np.full(annuli - known.size, self.by_life[-1])])

    def fits(self, g: GrowthHistory) -> list[Fit]:
        """As counted first, then every way to be one off."""
        marks, n = g.marks_mm, g.marks_mm.size
        last = g.hatched + n - 1
        out = [self._fit(marks[None, :], 0.0, last, "as counted")]
        # A mark that is no annulus may lie anywhere on the bone.
        anywhere = -float(np.log(g.length_mm))
        for i in range(n):
            out.append(self._fit(np.delete(marks, i)[None, :], anywhere, last, f"without annulus {i + 1}"))
        edges = np.concatenate([[0.0], marks, [g.length_mm]])
        for i in range(n + 1):
            gap = edges[i + 1] - edges[i]
            if gap <= 0:
                continue
            at = edges[i] + gap * (np.arange(PLACES) + 0.5) / PLACES
            tried = np.insert(np.repeat(marks[None, :], PLACES, axis=0), i, at, axis=1)
            where = f"one more after annulus {i}" if i else "one more before annulus 1"
            out.append(self._fit(tried, float(np.log(gap)), last, where))
        return out

    def _fit(self, marks: Numbers, log_volume: float, last: int, where: str) -> Fit:
        """Of (place tried, annulus) lengths; the last increment of all grew in the year `last`."""
        n = marks.shape[1]
        at = last - np.arange(n - 1, -1, -1) - self.first_year
        effect = np.where((at >= 0) & (at < self.effect.size), self.effect[np.clip(at, 0, self.effect.size - 1)], 0.0)
        grew = np.log(np.diff(marks, axis=1, prepend=0.0))
        rest = grew - self.expected(n)
        jacobian = -grew.sum(axis=1)
        with_years = self._log_normal(rest - effect, self.within) + jacobian
        without = self._log_normal(rest, self.within + self.of_years) + jacobian
        likelihood = _mean(with_years) + log_volume
        return Fit(annuli=n, where=where, gain=likelihood - _mean(without) - log_volume, likelihood=likelihood)

    def _log_normal(self, rest: Numbers, within: float) -> Numbers:
        """Log density of rows whose entries share the fish's own deviation."""
        n = rest.shape[1]
        total = within + n * self.between
        squares = (rest**2).sum(axis=1) / within - self.between * rest.sum(axis=1) ** 2 / (within * total)
        return np.asarray(-0.5 * (squares + (n - 1) * np.log(within) + np.log(total) + n * np.log(2 * np.pi)))


def _mean(log_density: Numbers) -> float:
    """Logarithm of the mean of densities given as logarithms."""
    most = float(log_density.max())
    return most + float(np.log(np.exp(log_density - most).mean()))

"""May a last annulus lie at the margin, where nothing shows it?

A mark counts only where opaque bone is seen beyond it. A winter zone at the margin, or an annulus closer to it than the
scan can part, is never counted: it is the edge, and the count with one more keeps the probability that date and margin
give it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from pipeline.bone.rim import HOLLOWS_PX, LEVELS_PX
from pipeline.records import Numbers
from pipeline.together.counted import CountedBone, log_odds, middle, probability


@dataclass(frozen=True, slots=True)
class AtMargin:
    """One bone's margin."""

    counted: CountedBone
    share: float
    """Growth beyond the last annulus over the increment expected; NaN where not known."""
    formed: float | None
    """Probability by the date alone that this year's annulus has formed; None without a date."""

    @property
    def log_share(self) -> float:
        """Logarithm of `share`, 0 where it is not known."""
        return float(np.clip(np.log(max(self.share, 1e-2)), -3, 1.5)) if np.isfinite(self.share) else 0.0

    @property
    def rim_px(self) -> float:
        """Pixels from the last mark counted to the margin."""
        c = self.counted
        return c.bone.radius_px * (1 - (c.fractions[-1] if c.taken else 0.0))


def _outermost(name: str) -> Callable[[AtMargin], float]:
    """Evidence of the outermost candidate that is not counted, beyond the last one counted; 0 where there is none."""

    def column(m: AtMargin) -> float:
        c = m.counted
        last = c.taken[-1] if c.taken else -1
        beyond = range(last + 1, len(c.bone.fraction))
        return c.evidence(max(beyond, key=lambda k: c.count.mark_probability[k]), name) if beyond else 0.0

    return column


def _beyond_best(m: AtMargin) -> float:
    c = m.counted
    last = c.taken[-1] if c.taken else -1
    return log_odds(max((float(p) for p in c.count.mark_probability[last + 1 :]), default=0.0))


def _trait(name: str) -> Callable[[AtMargin], float]:
    return lambda m: m.counted.trait(name)


LAST_YEAR: Mapping[str, Callable[[AtMargin], float]] = {
    "log_share": lambda m: m.log_share,
    "log_rim_px": lambda m: float(np.log(max(m.rim_px, 0.0) + 0.7)),
    "formed": lambda m: 0.0 if m.formed is None else log_odds(min(max(m.formed, 0.02), 0.98)),
    "dated": lambda m: float(m.formed is not None),
    "beyond_best": _beyond_best,
    "beyond_depth": _outermost("log_depth"),
    "beyond_run": _outermost("arc_run"),
    "beyond_return": _outermost("rim_return"),
    "rim_level": _trait("rim_level"),
    **{f"margin_{k}": _trait(f"margin_{k}") for k in range(1, len(LEVELS_PX) + 1)},
    **{f"hollow_{k}": _trait(f"hollow_{k}") for k in range(1, len(HOLLOWS_PX) + 1)},
}
"""What the doubt about a last annulus is read from, by name."""


def last_year_features(m: AtMargin) -> Numbers:
    """(feature,) in the order of `LAST_YEAR`."""
    return np.array([column(m) for column in LAST_YEAR.values()])


STEEPNESS, HALF = 8.0, 0.7
"""Of the rise at the margin, in depths of the bone's marks: where a winter zone is as likely as not, and how soon it is
sure."""
LEAST_DEPTH = 0.02
"""Opacity loss; shallower marks are taken for this deep."""


def translucent_probability(c: CountedBone) -> float:
    """How much the margin looks like a winter zone: rise of opacity loss towards it over the depth of the marks
    counted."""
    if not c.taken:
        return 0.0
    rise = c.evidence(c.taken[-1], "rim_rise")
    depth = max(float(np.exp(middle(c.depths))), LEAST_DEPTH)
    return probability(STEEPNESS * (rise / depth - HALF))

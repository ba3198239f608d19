"""Annuli that show + annuli that are suspected -> the distribution of the count.

What is counted is what shows; an unseen first annulus is counted besides only where the run's own bones say so. Every
other suspicion stays a suspicion: it gives the neighbouring counts their probability, and never takes the lead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.records import Numbers

NEIGHBOUR_FALL = 0.3
"""Each count further from the one counted gets this share of what the one before it gets of a surplus."""
STAYS_AHEAD = 0.98
"""No other count is more probable than this share of the one counted: it must lead in a table of four decimals too."""


@dataclass(frozen=True, slots=True)
class Unseen:
    """What nothing shows on one bone."""

    first: float
    """Probability that an annulus is hidden inside the first mark counted."""
    first_counted: bool
    """The run's own bones say that it is there, so it is counted."""
    last: float
    """Probability that a last annulus lies unseen at the margin."""


def count_distribution(seen: Numbers, unseen: Unseen, most: int) -> Numbers:
    """(number of annuli,) probability from 0 to `most`, before calibration: that of the marks that show, with either
    unseen annulus there or not."""
    out = seen
    for chance in (unseen.first, unseen.last):
        out = np.concatenate([out * (1 - chance), [0.0]]) + np.concatenate([[0.0], out * chance])
    out = out[: most + 1]
    return np.asarray(out / out.sum())


def with_confidence(p: Numbers, counted: int, wanted: float) -> Numbers:
    """The distribution in which the number counted has the confidence wanted, or as little more as keeps it the most
    probable.

    What the others have is shared out half as they were thought of and half to the neighbours of the number counted,
    the nearer the more: what makes the machine too sure (a focus a little off, a blurred margin) puts counts wrong by
    one or two, never by ten.
    """
    at = np.arange(len(p))
    others = np.where(at == counted, 0.0, p)
    near = np.where(at == counted, 0.0, NEIGHBOUR_FALL ** np.abs(at - counted))
    share = 0.5 * others / others.sum() + 0.5 * near / near.sum() if others.sum() > 0 else near / near.sum()
    least = share.max() / (STAYS_AHEAD + share.max())
    own = min(max(wanted, least), 1.0)
    return np.asarray(np.where(at == counted, own, (1 - own) * share))

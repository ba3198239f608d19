"""A figure with its interval, as audit and growth give every result."""

from __future__ import annotations

from dataclasses import dataclass

LEVEL = 0.95
"""Share of samples in which an interval holds the true value; the level the trade publishes."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """A figure with its 95 % interval. None where the data do not give one."""

    value: float | None
    low: float | None = None
    high: float | None = None

    def excludes(self, what: float) -> bool:
        """Whether the interval exists and leaves `what` outside."""
        return self.low is not None and self.high is not None and not self.low <= what <= self.high


NO_FIGURE = Estimate(None)

"""Figures put into words, the same way on the page and on the screen."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.estimate import Estimate


def percent(share: Estimate) -> str:
    """A share 0 to 1 as percent with its interval."""
    if share.value is None:
        return "no figure"
    if share.low is None or share.high is None:
        return f"{100 * share.value:.1f} %"
    return f"{100 * share.value:.1f} % ({100 * share.low:.1f} to {100 * share.high:.1f})"


def percents(figure: Estimate) -> str:
    """A figure that is in percent already, with its interval."""
    if figure.value is None:
        return "no figure"
    if figure.low is None or figure.high is None:
        return f"{figure.value:.1f} %"
    return f"{figure.value:.1f} % ({figure.low:.1f} to {figure.high:.1f})"


def points(difference: Estimate) -> str:
    """A difference between two shares, in points, with its interval."""
    if difference.value is None:
        return "no figure"
    if difference.low is None or difference.high is None:
        return f"{100 * difference.value:+.1f} points"
    return f"{100 * difference.value:+.1f} points ({100 * difference.low:+.1f} to {100 * difference.high:+.1f})"


def years(difference: Estimate) -> str:
    """A signed difference in annuli with its interval."""
    if difference.value is None:
        return "no figure"
    if difference.low is None or difference.high is None:
        return f"{difference.value:+.2f}"
    return f"{difference.value:+.2f} ({difference.low:+.2f} to {difference.high:+.2f})"


def p_value(p: float | None) -> str:
    """A p value as it stands after the name of its test."""
    return "no p" if p is None else "p < 0.001" if p < 0.001 else f"p = {p:.3f}"


def listed(names: Sequence[object]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    words = [str(name) for name in names]
    return " and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else "".join(words)


def number(count: int, one: str, many: str = "") -> str:
    """A count with its noun."""
    return f"{count:,} {one}" if count == 1 else f"{count:,} {many or one + 's'}"

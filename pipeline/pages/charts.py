"""Small charts as SVG text to stand in a page.

Written by hand rather than plotted: their colours and letters come from the page's style sheet, so that one chart
serves light, dark and print, and a page with thirty of them stays small. All are drawn 340 units wide, the width of a
phone.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

WIDTH = 340.0
_LETTER = 11.0
"""Height of letters: readable on a phone, where a unit is about a pixel."""
_MOST_LABELS = 17
"""Along the horizontal axis; of more, every second, third ... is written."""
_MOST_DOTS = 150
"""In one strip: more would be one smear, which the box shows better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One stacked bar."""

    label: str
    parts: tuple[int, ...]
    """How many of each class, from the bottom upward."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DotStrip:
    """One row of values."""

    label: str
    values: tuple[float, ...]
    apart: tuple[bool, ...]
    """Of each value: it lies apart from the others."""
    low: float
    middle: float
    high: float
    """Quartiles and median."""


def stacked_bars(bars: Sequence[Bar], classes: Sequence[str], title: str, axis: str) -> Markup:
    """Vertical bars; `classes` are the style classes of the parts, `axis` what the labels are."""
    top, bottom, left = 14.0, 118.0, 4.0
    most = max((sum(bar.parts) for bar in bars), default=0) or 1
    step = (WIDTH - 2 * left) / max(len(bars), 1)
    wide = min(step * 0.78, 34.0)
    every = -(-len(bars) // _MOST_LABELS)
    shapes = []
    for i, bar in enumerate(bars):
        x, y = left + i * step + (step - wide) / 2, bottom
        for part, name in zip(bar.parts, classes, strict=True):
            if part:
                height = (bottom - top) * part / most
                y -= height
                shapes.append(
                    f'<rect class="{name}" x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{height:.1f}"/>'
                )
        whole, middle = sum(bar.parts), x + wide / 2
        if whole and step >= 6 * len(str(whole)) + 2:
            shapes.append(_text(middle, y - 3, str(whole), "middle"))
        if i % every == 0:
            shapes.append(_text(middle, bottom + 13, bar.label, "middle"))
    shapes.append(f'<path class="line" d="M{left} {bottom}H{WIDTH - left}"/>')
    shapes.append(_text(WIDTH / 2, bottom + 28, axis, "middle", "quiet"))
    return _svg(shapes, bottom + 34, title)


def level_bar(parts: Sequence[tuple[str, int]], title: str) -> Markup:
    """One level bar of parts (style class, how many)."""
    whole = sum(n for _, n in parts) or 1
    x, shapes = 0.0, []
    for name, n in parts:
        if n:
            wide = WIDTH * n / whole
            shapes.append(f'<rect class="{name}" x="{x:.1f}" y="0" width="{max(wide - 1, 1):.1f}" height="14"/>')
            x += wide
    return _svg(shapes, 14, title, stretched=True)


def strips(rows: Sequence[DotStrip], title: str, axis: str) -> Markup:
    """Rows of dots over a common axis from 0, each with a box from quartile to quartile and a line at the median."""
    left, right, row_height = 6.0, WIDTH - 10, 38.0
    most = max((max(row.values) for row in rows), default=1.0) or 1.0
    unit = _round_step(most)
    most = unit * (int(most / unit) + 1)
    shapes = []

    def place(value: float) -> float:
        return left + (right - left) * value / most

    for i, row in enumerate(rows):
        y = 26 + i * row_height
        shapes.append(_text(left, y - 11, f"{row.label} ({len(row.values)})"))
        box = place(row.high) - place(row.low)
        shapes.append(f'<rect class="box" x="{place(row.low):.1f}" y="{y - 6}" width="{max(box, 1):.1f}" height="12"/>')
        every = -(-len(row.values) // _MOST_DOTS)
        for k, (value, apart) in enumerate(sorted(zip(row.values, row.apart, strict=True))):
            x, up = place(value), (k * 5) % 9 - 4  # beside each other, so that equal values stay apart
            if apart:
                shapes.append(f'<path class="apart" d="M{x:.1f} {y - 5}l4.5 5-4.5 5-4.5-5z"/>')
            elif k % every == 0:
                shapes.append(f'<circle class="dot" cx="{x:.1f}" cy="{y + up}" r="1.6"/>')
        shapes.append(f'<path class="median" d="M{place(row.middle):.1f} {y - 8}v16"/>')
    end = 26 + len(rows) * row_height - 14
    shapes.append(f'<path class="line" d="M{left} {end}H{right}"/>')
    for tick in range(round(most / unit) + 1):
        value = tick * unit
        shapes.append(f'<path class="line" d="M{place(value):.1f} {end}v4"/>')
        shapes.append(_text(place(value), end + 15, f"{value:g}", "middle"))
    shapes.append(_text(WIDTH / 2, end + 30, axis, "middle", "quiet"))
    return _svg(shapes, end + 36, title)


def counts_against_counts(pairs: Sequence[tuple[int, int]], title: str, across: str, upward: str) -> Markup:
    """Bubbles on a grid of counts, the equal ones on a diagonal line. `pairs` are (across, upward)."""
    low, high = min(min(p) for p in pairs), max(max(p) for p in pairs)
    left, top, side = 34.0, 8.0, 230.0
    step = side / (high - low + 1)
    tally: dict[tuple[int, int], int] = {}
    for pair in pairs:
        tally[pair] = tally.get(pair, 0) + 1
    most = max(tally.values())

    def place(value: int) -> float:
        return (value - low + 0.5) * step

    shapes = [f'<path class="line dashed" d="M{left} {top + side}L{left + side} {top}"/>']
    for (a, b), n in sorted(tally.items()):
        name = "kept" if a == b else "wait"
        radius = max(min(step / 2, 12.0) * (n / most) ** 0.5, 2.0)
        x, y = left + place(a), top + side - place(b)
        shapes.append(f'<circle class="{name}" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>')
    every = -(-(high - low + 1) // 12)
    for value in range(low, high + 1, every):
        shapes.append(_text(left + place(value), top + side + 14, str(value), "middle"))
        shapes.append(_text(left - 6, top + side - place(value) + 4, str(value), "end"))
    shapes.append(f'<path class="line" d="M{left} {top}V{top + side}H{left + side}"/>')
    shapes.append(_text(left + side / 2, top + side + 30, across, "middle", "quiet"))
    turned = f'text-anchor="middle" transform="translate(10 {top + side / 2}) rotate(-90)"'
    shapes.append(f'<text class="quiet" {turned}>{escape(upward)}</text>')
    return _svg(shapes, top + side + 36, title)


def _round_step(most: float) -> float:
    """A step of 1, 2 or 5 times a power of ten that cuts the axis into three to eight parts."""
    step = 10.0 ** len(str(int(most))) if most >= 1 else 1.0
    for divisor in (2, 2.5, 2, 2, 2.5, 2, 2, 2.5, 2):
        if most / step >= 3:
            break
        step /= divisor
    return step


def _text(x: float, y: float, words: str, anchor: str = "start", name: str = "") -> str:
    named = f' class="{name}"' if name else ""
    return f'<text{named} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def _svg(shapes: Sequence[str], height: float, title: str, *, stretched: bool = False) -> Markup:
    """The chart as an image with a text in place of it for those who hear the page."""
    inside = "".join(shapes)
    fit = ' preserveAspectRatio="none"' if stretched else ""
    return Markup(
        f'<svg class="chart" viewBox="0 0 {WIDTH:.0f} {height:.0f}"{fit} role="img" aria-label="{escape(title)}" '
        f'font-size="{_LETTER:.0f}">{inside}</svg>'
    )

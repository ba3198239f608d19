"""Bones that never were: a fan with rings, drawn by a few lines of numpy, and the records that say what is on it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Age, AgedMark, Axis, BoneReading, Captured, Point, Specimen

HALF_FAN = 50.0


def fan(
    focus: Point, radius: float, turned: float, rings: tuple[float, ...], *, dark: bool = True, size: int = 420
) -> NDArray[np.uint8]:
    """A fan of 100 degrees (row, column): its axis turned by degrees from right towards down, rings at fractions."""
    x, y = np.meshgrid(np.arange(size) - focus[0], np.arange(size) - focus[1])
    angle = (np.degrees(np.arctan2(y, x)) - turned + 180) % 360 - 180
    away = np.hypot(x, y)
    bone = (away < radius) & (np.abs(angle) < HALF_FAN)
    loss = sum((np.exp(-(((away / radius - f) / 0.012) ** 2)) for f in rings), np.zeros_like(away))
    grey = np.where(bone, 150 - 60 * loss if dark else 120 + 60 * loss, 10 if dark else 245)
    return grey.astype(np.uint8)


def outline(focus: Point, radius: float, turned: float) -> tuple[Point, ...]:
    """The closed outline of `fan`."""
    angle = np.radians(np.linspace(-HALF_FAN, HALF_FAN, 60) + turned)
    arc = zip(focus[0] + radius * np.cos(angle), focus[1] + radius * np.sin(angle), strict=True)
    return (focus, *((float(x), float(y)) for x, y in arc))


def mark(
    number: int | None, fraction: float, axis: Axis, *, inferred: bool = False, probability: float = 0.9
) -> AgedMark:
    """A mark on the axis; traced across the fan unless it is inferred."""
    along = np.subtract(axis.tip, axis.focus)
    turned = np.arctan2(along[1], along[0])
    angle = np.radians(np.linspace(-40, 40, 41)) + turned
    radius = fraction * axis.radius_px
    x, y = axis.focus[0] + radius * np.cos(turned), axis.focus[1] + radius * np.sin(turned)
    arc = [(axis.focus[0] + radius * np.cos(a), axis.focus[1] + radius * np.sin(a)) for a in angle]
    return AgedMark(
        x=float(x),
        y=float(y),
        radius_px=radius,
        fraction=fraction,
        probability=probability,
        counted=number is not None,
        inferred=inferred,
        number=number,
        arc=() if inferred or number is None else tuple((float(p), float(q)) for p, q in arc),
    )


def bone(
    annuli: int = 5, turned: float = 20.0, specimen: str = "LAKE-0012", **changes: object
) -> tuple[BoneReading, Age, Specimen]:
    """The records of a bone with so many annuli, crowding towards the margin as on old fish."""
    focus, radius = (210 - 150 * np.cos(np.radians(turned)), 210 - 150 * np.sin(np.radians(turned))), 300.0
    tip = (focus[0] + radius * np.cos(np.radians(turned)), focus[1] + radius * np.sin(np.radians(turned)))
    axis = Axis(focus=(float(focus[0]), float(focus[1])), tip=(float(tip[0]), float(tip[1])), certainty=0.9)
    fractions = fractions_of(annuli)
    marks = [mark(n, f, axis) for n, f in enumerate(fractions, 1)]
    reading = BoneReading(
        scan="trays/drawer 3.tif",
        number=1,
        outline=outline(axis.focus, radius, turned),
        lighting="reflected",
        dpi=600.0,
        axis=axis,
    )
    age = Age(
        specimen=specimen,
        status="aged",
        annuli=annuli,
        annuli_low=max(annuli - 1, 0),
        annuli_high=annuli,
        confidence=0.8,
        edge="narrow",
        age_class=annuli,
        year_class=2010 - annuli,
        first_year="clear",
        count_probabilities=((annuli, 0.8), (annuli + 1, 0.2)),
        marks=tuple(marks),
    )
    fish = Specimen(
        specimen=specimen,
        scan=reading.scan,
        species="walleye",
        water="Marsh Lake",
        captured=Captured(year=2010, month=6, day=1),
        length_mm=412.0,
    )
    return reading, replace(age, **changes), fish  # type: ignore[arg-type]


def fractions_of(annuli: int) -> tuple[float, ...]:
    """Where the marks of an old fish lie: each increment nine tenths of the one before."""
    steps = 0.9 ** np.arange(annuli + 1)
    return tuple(float(f) for f in np.cumsum(steps)[:-1] / steps.sum())


def picture_of(reading: BoneReading, annuli: int, *, dark: bool = True) -> NDArray[np.uint8]:
    """The scan on which `bone` lies."""
    assert reading.axis is not None
    along = np.subtract(reading.axis.tip, reading.axis.focus)
    turned = float(np.degrees(np.arctan2(along[1], along[0])))
    return fan(reading.axis.focus, reading.axis.radius_px, turned, fractions_of(annuli), dark=dark)

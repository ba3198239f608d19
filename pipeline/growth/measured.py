"""Ages for fish that were only measured, by the key of their water."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.growth.age_length_key import AgesOfLengths, Key, ages_of_lengths
from pipeline.growth.estimate import Whole
from pipeline.growth.sharing_out import shared_out
from pipeline.records import Numbers

Place = tuple[str, str]
"""Species and water."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredCatch:
    """The measured fish of one species in one water."""

    species: str
    water: str
    fish: int
    """Measured."""
    only_measured: AgesOfLengths | None
    """None without a key."""
    with_aged: AgesOfLengths | None
    """The measured and the aged fish together, as if both were one sample of the catch."""
    beyond_key: int
    """Shorter or longer than all aged fish."""


def ages_of_measured(
    fish: Sequence[tuple[str, str, float]], keys: Mapping[Place, Key], seed: int
) -> tuple[tuple[int | None, ...], tuple[MeasuredCatch, ...]]:
    """An age class for each (species, water, length in mm), or None, and the ages of each water as a whole."""
    ages: list[int | None] = [None] * len(fish)
    places = sorted({(species, water) for species, water, _ in fish})
    out = []
    for number, place in enumerate(places):
        mine = [i for i, (species, water, _) in enumerate(fish) if (species, water) == place]
        length = np.array([fish[i][2] for i in mine], np.float64)
        key = keys.get(place)
        if key is not None:
            own = shared_out(key, length, np.random.default_rng([seed, number]))
            for i, age in zip(mine, own, strict=True):
                ages[i] = age
        out.append(_measured(place, length, key))
    return tuple(ages), tuple(out)


def _measured(place: Place, length: Numbers, key: Key | None) -> MeasuredCatch:
    species, water = place
    if key is None:
        return MeasuredCatch(
            species=species, water=water, fish=length.size, only_measured=None, with_aged=None, beyond_key=0
        )
    rows = key.bin_of(length)
    inside = (rows >= 0) & (rows < key.aged.shape[0])
    counted: Whole = np.bincount(rows[inside], minlength=key.aged.shape[0])
    aged = np.round(key.fish).astype(np.int64)
    return MeasuredCatch(
        species=species,
        water=water,
        fish=length.size,
        only_measured=ages_of_lengths(key, counted),
        with_aged=ages_of_lengths(key, counted + aged),
        beyond_key=int((~inside).sum()),
    )

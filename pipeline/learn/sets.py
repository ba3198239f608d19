"""The sets that fitting draws for itself: every make of drawing, in equal numbers."""

from __future__ import annotations

import multiprocessing
import shutil
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from pipeline.simulate.draw import draw_scans
from pipeline.simulate.makes import MAKES
from pipeline.simulate.variety import Variety
from pipeline.tables.drawn_set import write_set

MAKE_NAMES = tuple(make.NAME for make in MAKES)
SEED = 101
"""Of every set."""
YOUNGEST = (0.0, 0.09)
"""Share of the species' greatest age: fish before their first winter, and with one or two annuli."""
YOUNG_SHARE = 0.2
"""Of the bones of a make are of such fish, in a set of their own: bones without an annulus must be known too."""


@dataclass(frozen=True, slots=True)
class SetPlan:
    """One set to be drawn."""

    make: str
    bones: int
    young: bool

    def folder(self, kept_in: Path) -> Path:
        """Where it lies."""
        return kept_in / f"{self.make}-{'young-' * self.young}{self.bones}"


def plans(bones_a_make: int, makes: Sequence[str] = MAKE_NAMES) -> tuple[SetPlan, ...]:
    """All sets, with so many bones of every make."""
    young = max(round(YOUNG_SHARE * bones_a_make), 1)
    return tuple(SetPlan(make, young if few else bones_a_make - young, few) for make in makes for few in (False, True))


def drawn(sets: tuple[SetPlan, ...], kept_in: Path, workers: int) -> list[Path]:
    """Folders of the sets, in order; those that are not there yet are drawn."""
    kept_in.mkdir(parents=True, exist_ok=True)
    missing = [plan for plan in sets if not plan.folder(kept_in).exists()]
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        list(pool.map(_draw, missing, [kept_in] * len(missing)))
    return [plan.folder(kept_in) for plan in sets]


def _draw(plan: SetPlan, kept_in: Path) -> None:
    part = plan.folder(kept_in).with_suffix(".part")
    shutil.rmtree(part, ignore_errors=True)
    ages = YOUNGEST if plan.young else None
    write_set(part, draw_scans(plan.bones, SEED, Variety(makes=(plan.make,), ages=ages)))
    part.replace(plan.folder(kept_in))

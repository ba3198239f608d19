"""Ages of bones that are all held in memory, as one run."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.records import Age, BoneReading, Specimen
from pipeline.settings.whole import Settings
from pipeline.together.age_of_bone import Placed
from pipeline.together.review import PLAIN, Circumstances
from pipeline.together.second_pass import age_in_parts


def age_bones(
    bones: Sequence[tuple[Specimen, BoneReading | None]], settings: Settings, around: Sequence[Circumstances] = ()
) -> tuple[Age, ...]:
    each = zip(bones, around or [PLAIN] * len(bones), strict=True)
    placed = [Placed(specimen=s, reading=r, around=a) for (s, r), a in each]
    return tuple(b.age for part in age_in_parts(lambda: [placed], settings, list) for b in part)

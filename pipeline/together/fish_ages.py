"""One age a fish, from the final ages of its bones.

What people say goes before what the machine says, and what they settled before all else. Where two bones that people
read give different age classes, the fish has none until a reading settles it. Where only the machine read the bones,
the surer one is taken if its age class lies within what the other's probabilities leave open; else the fish has none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.records import MACHINE, Age, FinalAge, Specimen

LEAST_COVER = 0.9
"""Probability of the age classes of a bone that the other bone's must be among."""
SIDES_DIFFER, READERS_DIFFER = "sides-differ", "readers-differ"
_NOT_COUNTED_AWAY = frozenset({"tray-mismatch", "size-mismatch", "date-incomplete"})
"""Reasons that no count answers: whose bone it is, and when the fish was caught. They stay until a reading settles."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AgedFish:
    """One bone of a fish with all that is known of its age."""

    specimen: Specimen
    age: Age
    """The machine's."""
    final: FinalAge


@dataclass(frozen=True, slots=True, kw_only=True)
class FishAge:
    """One row of fish.csv."""

    fish: str
    bones: tuple[AgedFish, ...]
    """All of this fish, in the order of ages.csv."""
    age_class: int | None
    probability: float | None
    """That the age class is right, as the machine has it; None where people counted: nobody knows theirs."""
    chosen: AgedFish | None
    """The bone whose age the fish has; None without one."""
    reasons: tuple[str, ...]
    """Why a person must look: those of the bones that no person has read, and of what the bones say together."""


def fish_age(bones: Sequence[AgedFish]) -> FishAge:
    """The age of one fish, from all its bones in the order of ages.csv."""
    settled = [b for b in bones if b.final.settled and b.final.age_class is not None]
    by_people = [b for b in bones if _by_people(b) and b.final.age_class is not None]
    by_machine = [b for b in bones if b.final.counted_by == MACHINE and b.final.age_class is not None]
    deciding = settled or by_people
    open_question = not deciding and any(b.final.differ for b in bones)
    chosen: AgedFish | None
    if deciding:
        chosen = deciding[0] if len({b.final.age_class for b in deciding}) == 1 else None
        differ = chosen is None
    elif by_machine and not open_question:
        chosen = max(by_machine, key=lambda b: b.age.age_class_probability or 0.0)
        differ = not all(_allows(b, chosen.final.age_class) for b in by_machine)
        chosen = None if differ else chosen
    else:
        chosen, differ = None, False
    return FishAge(
        fish=bones[0].specimen.fish or bones[0].specimen.specimen,
        bones=tuple(bones),
        age_class=chosen.final.age_class if chosen else None,
        probability=chosen.age.age_class_probability if chosen and not _by_people(chosen) else None,
        chosen=chosen,
        reasons=_reasons(bones, chosen, differ),
    )


def _by_people(bone: AgedFish) -> bool:
    return bone.final.counted_by not in ("", MACHINE)


def _allows(bone: AgedFish, age_class: int | None) -> bool:
    """Whether an age class is among the most probable ones of a bone that together reach `LEAST_COVER`."""
    total = 0.0
    for other, probability in sorted(bone.age.age_probabilities, key=lambda p: (-p[1], p[0])):
        if other == age_class:
            return True
        total += probability
        if total >= LEAST_COVER:
            break
    return False


def _reasons(bones: Sequence[AgedFish], chosen: AgedFish | None, differ: bool) -> tuple[str, ...]:
    """Reasons of the bones as far as nobody has answered them, and what the bones say together.

    Who counted one bone of a fish has answered for the fish, but for `_NOT_COUNTED_AWAY`.
    """
    answered = chosen is not None and _by_people(chosen)
    found = []
    for bone in bones:
        if bone.final.settled:
            continue
        stays = _NOT_COUNTED_AWAY if answered or _by_people(bone) else None
        found += [c for c in bone.age.reasons if c not in (SIDES_DIFFER, READERS_DIFFER) and (not stays or c in stays)]
    found += [READERS_DIFFER] * (not answered and any(b.final.differ for b in bones))
    return tuple(dict.fromkeys([*found, *[SIDES_DIFFER] * differ]))

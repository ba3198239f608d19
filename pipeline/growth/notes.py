"""Why a figure is missing for a group, and what its figures must not be taken for: a sentence each."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.fish_records import Fish
from pipeline.growth.curve_fit import CurveFit
from pipeline.growth.mortality import ASSUMES
from pipeline.growth.whole import FishGroup, Water
from pipeline.records import MACHINE

CAUTION = (
    "Ages from bones are estimates, and so is all that follows from them. Nothing on this page is a basis for a rule "
    "on catching or keeping fish: that is for a licensed fisheries biologist, local rules and fish that people have "
    "aged."
)
SMALL = 50
"""Fish; figures of fewer say little beyond their intervals."""
MANY_MONTHS = 4
"""Months of capture over which fish of one age class differ by a good part of a year's growth."""


def notes_on_group(group: FishGroup) -> tuple[str, ...]:
    """What growth.json says beside the figures of a group."""
    out = [*ages_behind(group.fish)]
    short = sum(not f.length_mm for f in group.fish)
    if short:
        out.append(f"{short} of {len(group.fish)} fish have no total length and do not count for growth")
    months = {f.captured.month for f in group.fish if f.captured and f.captured.month}
    if months and max(months) - min(months) >= MANY_MONTHS:
        out.append(
            f"the fish were caught from month {min(months)} to month {max(months)}; ages are whole years as of "
            "1 January, so fish of one age caught late have grown longer"
        )
    for curve in group.curves:
        out += [curve.refused] if curve.refused else _on_curve(curve)
    out += [x for x in (group.length_weight.refused, group.mature_at_length.refused) if x]
    first = group.under[0]
    out += [x for x in (first.maturity.refused, first.mortality.refused) if x]
    if first.maturity.half.value is not None and first.maturity.half.low is None:
        out.append("age at maturity has no lower limit: these fish do not settle it")
    if not first.mortality.refused:
        out.append(f"mortality holds only if {ASSUMES}")
    if group.condition:
        out.append(f"relative weight by the standard of {group.condition.standard.source}")
    return tuple(out)


def ages_behind(fish: Sequence[Fish]) -> list[str]:
    """Who aged these fish."""
    machine = sum(f.counted_by == MACHINE for f in fish)
    flagged = sum(f.counted_by == MACHINE and f.review for f in fish)
    out = []
    if machine:
        read = f"{machine} of {len(fish)} ages are the machine's"
        out.append(f"{read}, {flagged} of them flagged for a person who has not looked yet" if flagged else read)
    if len(fish) < SMALL:
        out.append(f"a small sample: {len(fish)} fish")
    return out


def notes_on_water(water: Water) -> tuple[str, ...]:
    """What is odd about the fish of a water, and what could not be found."""
    out = []
    if water.without_age:
        out.append(f"{water.without_age} of {water.fish} fish have no age and are left out")
    if water.two_at_one_place:
        named = ", ".join(water.two_at_one_place[:5])
        out.append(
            f"{len(water.two_at_one_place)} fish have two annuli at one place and no increments from it: {named}"
        )
    if water.chronology.refused:
        out.append(water.chronology.refused)
    key = water.key
    if key is None:
        out.append("no age-length key: no fish has both length and age")
    elif key.empty:
        classes = ", ".join(f"{x:g}" for x in key.empty)
        filled = "their shares come from the model alone" if key.smoothed is not None else "fish of these get no age"
        out.append(f"no aged fish in the length classes that begin at {classes} mm; {filled}")
    return tuple(out)


def _on_curve(curve: CurveFit) -> list[str]:
    if not curve.without_asymptote:
        return []
    lost = f"in {curve.without_asymptote} of {curve.draws} draws no {curve.curve.title} asymptote was found"
    return [f"{lost}; where that is more than one in forty the interval is open"]

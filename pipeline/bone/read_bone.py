"""The composer: from a scan to what each of its bones shows."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from pipeline.bone.arcs import end_where_unseen
from pipeline.bone.damage import find_damage
from pipeline.bone.focus import by_hand, find_axis
from pipeline.bone.margin import within_margin
from pipeline.bone.marks import find_marks
from pipeline.bone.opacity import opacity_loss
from pipeline.bone.radial_profile import radial_profile
from pipeline.bone.reduce import enlarge, reduce
from pipeline.bone.segment import find_bones
from pipeline.bone.traits import bone_reasons, bone_traits, simple_outline
from pipeline.bone.unwrap import unwrap
from pipeline.records import Bone, BoneReading, Hint, Scan
from pipeline.settings.whole import Settings


def read_bones(
    scan: Scan, hints: Sequence[Hint], settings: Settings, numbers: Collection[int] = ()
) -> tuple[tuple[Bone, BoneReading], ...]:
    """Every bone of a scan, in reading order, with its reading; with `numbers` only those bones.

    `hints`: how many bones to expect, and what people say of lighting, resolution, focus and axis; the last three
    concern their own bone alone.
    """
    hint_of = {hint.bone: hint for hint in hints}
    lightings = {hint.lighting for hint in hints}
    lighting = lightings.pop() if len(lightings) == 1 else ""
    bones = find_bones(scan, max(hint_of, default=None), lighting)
    return tuple(
        (bone, read_bone(bone, hint_of.get(bone.number), scan, settings))
        for bone in bones
        if not numbers or bone.number in numbers
    )


def read_bone(bone: Bone, hint: Hint | None, scan: Scan, settings: Settings) -> BoneReading:
    """What one bone shows. Large bones are read at a reduced size; all positions come out in scan pixels."""
    small, scale = reduce(bone, settings.unwrap.working_px)
    loss = opacity_loss(small)
    given = hint is not None and hint.focus is not None and hint.tip is not None
    axis = by_hand(hint, scale) if hint is not None and given else find_axis(small, loss, settings.focus)
    strip = unwrap(small, loss, axis, settings.unwrap)
    profile = radial_profile(strip, settings.profile)
    marks = end_where_unseen(find_marks(strip, profile, axis.focus), strip, profile, axis)
    marks = within_margin(marks, axis)
    damaged_share, damage = find_damage(strip)
    traits = bone_traits(small, strip, profile, axis, damaged_share)
    dpi = hint.dpi if hint is not None and hint.dpi is not None else scan.dpi
    notices = list(scan.notices) if dpi is scan.dpi else []
    if hint is None or not hint.lighting:
        notices.append("lighting-found")
    if given:
        notices.append("corrected")
    reasons = bone_reasons(bone, traits, settings)
    reading = BoneReading(
        scan=scan.scan,
        number=bone.number,
        outline=simple_outline(small),
        lighting="reflected" if bone.dark_backing else "transmitted",
        dpi=dpi,
        axis=axis,
        marks=marks,
        traits=traits,
        reasons=reasons,
        damage=damage if "damaged" in reasons else None,
        notices=tuple(notices),
    )
    return enlarge(reading, scale)

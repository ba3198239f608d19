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
from pipeline.records import Bone, BoneReading, Scan, Specimen
from pipeline.settings.whole import Settings


def read_bones(
    scan: Scan, specimens: Sequence[Specimen], settings: Settings, numbers: Collection[int] = ()
) -> tuple[tuple[Bone, BoneReading], ...]:
    """Every bone of a scan, in reading order, with its reading; with `numbers` only those bones.

    `specimens` are the rows that the table has for this scan: how many bones to expect, and what people say of
    lighting, resolution, focus and axis. A row's resolution, focus and axis concern its own bone alone.
    """
    row_of = {s.bone: s for s in specimens}
    lightings = {s.lighting for s in specimens}
    lighting = lightings.pop() if len(lightings) == 1 else ""
    bones = find_bones(scan, max(row_of, default=None), lighting)
    return tuple(
        (bone, read_bone(bone, row_of.get(bone.number), scan, settings))
        for bone in bones
        if not numbers or bone.number in numbers
    )


def read_bone(bone: Bone, row: Specimen | None, scan: Scan, settings: Settings) -> BoneReading:
    """What one bone shows. Large bones are read at a reduced size; all positions come out in scan pixels."""
    small, scale = reduce(bone, settings.unwrap.working_px)
    loss = opacity_loss(small)
    given = row is not None and row.focus is not None and row.tip is not None
    axis = by_hand(row, scale) if row is not None and given else find_axis(small, loss, settings.focus)
    strip = unwrap(small, loss, axis, settings.unwrap)
    profile = radial_profile(strip, settings.profile)
    marks = end_where_unseen(find_marks(strip, profile, axis.focus), strip, profile, axis)
    marks = within_margin(marks, axis)
    damaged_share, damage = find_damage(strip)
    traits = bone_traits(small, strip, profile, axis, damaged_share)
    dpi = row.dpi if row is not None and row.dpi is not None else scan.dpi
    notices = list(scan.notices) if dpi is scan.dpi else []
    if row is None or not row.lighting:
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

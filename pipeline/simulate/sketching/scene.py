"""Sketched bones on the scene of their scan: where they lie, and what is known of them there."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.records import Float
from pipeline.simulate.noise import Random
from pipeline.simulate.place import AXIS
from pipeline.simulate.plan import Plan
from pipeline.simulate.sketching.rings import SHARPEST_PX
from pipeline.simulate.sketching.sketch import Sketch
from pipeline.simulate.tray import Corner, Layout, arrange, lay_out
from pipeline.simulate.truth import DrawnBone, KnownLine
from pipeline.simulate.variety import Variety


def spread_out(random: Random, bones: list[Sketch], plan: Plan, variety: Variety) -> Layout:
    """Where the bones lie on their scan, with room for a label and a ruler."""
    touching = plan.bones > 1 and random.random() < plan.level.touching_chance
    rows = arrange(random, [bone.canvas.cover for bone in bones], plan.px_per_mm, touching)
    return lay_out(random, rows, plan.px_per_mm, variety.extras)


def on_scene(scene: Float, bones: list[Sketch], layout: Layout) -> Iterator[tuple[Sketch, Float]]:
    """Each bone with the part of the scene that its picture covers, to be drawn on in place."""
    for bone, (x, y) in zip(bones, layout.corners, strict=True):
        height, width = bone.cracks.shape
        yield bone, scene[y : y + height, x : x + width]


def known(bone: Sketch, corner: Corner, bright: bool | None) -> DrawnBone:
    """What is known of a bone whose picture lies at a corner of its scan; `bright` as `DrawnBone.bright_winters`."""
    return DrawnBone(
        fish=bone.life.fish,
        outline=bone.outline,
        place=bone.canvas.place.moved(*corner),
        axis_px=bone.canvas.axis_px,
        margin=bone.canvas.margin,
        lines=tuple(
            KnownLine(
                kind=ring.kind,
                number=ring.number,
                outer=ring.outer,
                width=ring.width,
                strength=ring.loss,
                edge_px=max(ring.profile.outer * float(ring.width[AXIS]), SHARPEST_PX),
            )
            for ring in bone.rings
            if ring.kind in ("annulus", "check")
        ),
        splits=sum(ring.kind == "inner" for ring in bone.rings),
        damaged=bone.damaged,
        bright_winters=bright,
    )

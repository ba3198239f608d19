"""Bones of a water whose marks look other than the shipped weights expect, with what people count on them."""

from __future__ import annotations

from array import array
from dataclasses import replace

import numpy as np
from reading import SETTINGS, read_natural

from pipeline.bone.evidence import EVIDENCE
from pipeline.records import BoneReading, Specimen

AGES = range(1, 7)
SHOWN = (
    "log_depth", "log_t", "block_share", "low_quartile", "high_quartile", "weakest_tenth", "arc_run",
    "depth_to_texture_near", "depth_to_texture", "depth_to_plain", "peak_level",
)  # fmt: skip
"""Evidence of which an annulus has more than texture."""


def odd_bones(number: int, seed: int, *, fainter: float, noise: float = 0.4) -> list[tuple[Specimen, BoneReading, int]]:
    """Bones two a scan, each with its row and its count.

    `fainter` is by how many standard deviations all candidates show less of what annuli show than on the bones that the
    weights were fitted to; `noise` the standard deviation of what differs from mark to mark.
    """
    random = np.random.default_rng(seed)
    scale = np.array(SETTINGS.evidence.scale)
    down = np.where(np.isin(EVIDENCE, SHOWN), -fainter * scale, 0.0)
    out = []
    for n in range(number):
        annuli = int(random.choice(AGES))
        read = read_natural(annuli, "fan")[1].reading
        marks = tuple(
            replace(m, evidence=array("d", np.array(m.evidence) + down + random.normal(0, noise, len(scale)) * scale))
            for m in read.marks
        )
        name, scan = f"B{seed}-{n}", f"scan{seed}-{n // 2}.png"
        reading = replace(read, scan=scan, number=n % 2 + 1, marks=marks, dpi=None)
        out.append((Specimen(specimen=name, scan=scan, bone=n % 2 + 1, fish=name), reading, annuli))
    return out

"""From pixels and bones known to a scan with its tables."""

from __future__ import annotations

import numpy as np

from pipeline.simulate.noise import Array, Random
from pipeline.simulate.plan import DrawnScan, Plan
from pipeline.simulate.truth import DrawnBone, Row, ScanFacts, Tables, describe

ABSURD_DPI = (1.0, 5.0, 30000.0)  # what faulty programs write


def finish(
    random: Random, plan: Plan, make: str, pixels: Array, bones: list[DrawnBone], specimens: list[Row]
) -> DrawnScan:
    """The scan of a make. `pixels` (row, column, channel), uint8 or uint16; bones in reading order, with their columns
    of the specimens table."""
    tag = "right" if random.random() >= plan.level.bad_tag_chance else str(random.choice(["missing", "absurd"]))
    facts = ScanFacts(
        scan=plan.name, level=plan.level.name, lighting=plan.lighting, dpi=plan.dpi, dpi_tag=tag, make=make
    )
    tables = Tables()
    grey = pixels[..., pixels.shape[2] // 2].astype(np.float32) / np.iinfo(pixels.dtype).max
    for k, (bone, row) in enumerate(zip(bones, specimens, strict=True)):
        describe(tables, facts, {**row, "scan": plan.name, "bone": k + 1}, bone, grey)
    written = {"right": float(plan.dpi), "missing": None, "absurd": float(random.choice(ABSURD_DPI))}[tag]
    return DrawnScan(
        name=plan.name, pixels=pixels[..., 0] if pixels.shape[2] == 1 else pixels, dpi=written, tables=tables
    )

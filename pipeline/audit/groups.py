"""Agreement with the reference within groups of bones: by age, species, water and flag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.audit.intervals import mean_difference
from pipeline.audit.precision import Precision, precision
from pipeline.estimate import Estimate
from pipeline.records import Numbers


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreementGroup:
    """A reader against the reference on one group of bones."""

    reader: str
    by: str
    """`age`, `species`, `water` or `flag`."""
    group: str
    precision: Precision
    mean_difference: Estimate
    """Reader minus reference, annuli."""


def groups(reader: str, reference: Numbers, counts: Numbers, about: pd.DataFrame) -> tuple[AgreementGroup, ...]:
    """Every group with at least one bone; (bone,) each. Groups by age are by the reference's count."""
    both = ~np.isnan(reference) & ~np.isnan(counts)
    pair = np.column_stack([reference[both], counts[both]])
    known = about[both]
    labels = {
        "age": pd.Series(pair[:, 0].astype(np.int64), index=known.index),
        "species": known["species"],
        "water": known["water"],
        "flag": known["review"].map({True: "review", False: "kept"}),
    }
    out = []
    for by, values in labels.items():
        codes, names = pd.factorize(values.where(values.astype(str) != ""), sort=True)
        for code, name in enumerate(names):
            mine = pair[codes == code]
            out.append(
                AgreementGroup(
                    reader=reader,
                    by=by,
                    group=str(name),
                    precision=precision(mine),
                    mean_difference=mean_difference(mine[:, 1] - mine[:, 0]),
                )
            )
    return tuple(out)

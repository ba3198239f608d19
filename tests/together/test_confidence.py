"""How sure a count is rests on named signs, and doubt about the bone lowers it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from reading import SETTINGS, read_natural

from pipeline.records import BoneReading, Specimen
from pipeline.together.confidence import (
    CONFIDENCE,
    FAMILIAR,
    Judged,
    confidence_features,
    familiar_features,
    strangeness,
)
from pipeline.together.counted import CountedBone
from pipeline.together.first_year import FIRST_YEAR, first_year_features
from pipeline.together.judge import at_margin, counted_bones, judge
from pipeline.together.last_year import LAST_YEAR, last_year_features
from pipeline.together.unseen import Unseen

ROW = Specimen(specimen="a", scan="drawn.png")


def counted(annuli: int, reading: BoneReading | None = None) -> CountedBone:
    (bone,) = counted_bones([(ROW, reading or read_natural(annuli)[1].reading)], SETTINGS)
    return bone


@pytest.mark.parametrize("annuli", [0, 1, 5])
def test_every_number_that_a_doubt_is_read_from_is_named_and_finite(annuli: int) -> None:
    c = counted(annuli)
    judged = Judged(c, Unseen(first=0.1, first_counted=False, last=0.2), 1.0)
    for features, names in (
        (confidence_features(judged), CONFIDENCE),
        (first_year_features(c), FIRST_YEAR),
        (last_year_features(at_margin(c, SETTINGS)), LAST_YEAR),
        (familiar_features(c), FAMILIAR),
    ):
        assert features.shape == (len(names),)
        assert np.isfinite(features).all()


def test_a_bone_without_candidates_is_judged_all_the_same() -> None:
    bare = replace(read_natural(2)[1].reading, marks=())
    (j,) = judge([(ROW, bare)], SETTINGS)
    assert j.annuli == 0
    assert j.probability.argmax() == 0
    assert not j.unseen.first_counted


@pytest.mark.parametrize("annuli", [1, 4])
def test_what_hardly_looks_like_a_bone_has_little_confidence_and_keeps_its_count(annuli: int) -> None:
    reading = read_natural(annuli)[1].reading
    doubtful = replace(reading, traits=reading.traits | {"likeness": 0.05})
    plain, doubted = (judge([(ROW, r)], SETTINGS)[0] for r in (reading, doubtful))
    assert doubted.annuli == plain.annuli == annuli
    assert doubted.probability[annuli] < plain.probability[annuli]


def test_what_hardly_looks_like_a_bone_is_one_where_the_table_says_so() -> None:
    reading = read_natural(4)[1].reading
    row = replace(ROW, written=(("length_mm", ""),))
    doubtful = replace(reading, traits=reading.traits | {"likeness": 0.05})
    plain, doubted = (judge([(row, r)], SETTINGS)[0] for r in (reading, doubtful))
    assert doubted.probability.tolist() == plain.probability.tolist()


def test_a_bone_unlike_all_others_is_far_from_what_was_taught() -> None:
    c = counted(4)
    odd = replace(c.bone, evidence=c.bone.evidence + 50.0)
    usual, far = strangeness([c, replace(c, bone=odd)], SETTINGS.familiar)
    assert far > max(usual, SETTINGS.familiar.unfamiliar_above)

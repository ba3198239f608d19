"""The distribution of the count, and what must not move it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading import SETTINGS, read_natural

from pipeline.bone.evidence import EVIDENCE
from pipeline.counting.chains import MOST_CANDIDATES, ChainBone
from pipeline.counting.count import AT_ONCE, Count, count_annuli
from pipeline.records import Numbers, Specimen
from pipeline.together.counted import bone_of

steady = settings(max_examples=12, deadline=None, derandomize=True)


def bone(annuli: int, outline: str = "fan") -> ChainBone:
    _, read = read_natural(annuli, outline)
    return bone_of(Specimen(specimen="a", scan="drawn.png"), read.reading, SETTINGS)


def one(b: ChainBone) -> Count:
    (count,) = count_annuli([b], SETTINGS)
    return count


def disturbed(b: ChainBone, seed: int, by: float) -> ChainBone:
    """The same bone with evidence as a worse scan would show it: noise in units of its spread among candidates."""
    scale = by * np.array(SETTINGS.evidence.scale)
    noise = np.random.default_rng(seed).normal(0, 1, b.evidence.shape) * scale
    return replace(b, evidence=b.evidence + noise)


def mean(p: Numbers) -> float:
    return float(p @ np.arange(len(p)))


@given(annuli=st.integers(0, 7), seed=st.integers(0, 999), by=st.sampled_from([0.0, 0.3, 1.0]))
@steady
def test_whatever_the_evidence_counts_are_probabilities_and_the_path_is_that_of_the_likeliest(
    annuli: int, seed: int, by: float
) -> None:
    b = disturbed(bone(annuli), seed, by)
    count = one(b)
    assert len(count.probability) == b.most_annuli + 1
    assert count.probability.sum() == pytest.approx(1)
    assert count.probability.min() >= 0
    assert count.seen == len(count.taken) == count.probability.argmax()
    assert list(count.taken) == sorted(set(count.taken))
    # What each mark has adds up to the mean count.
    assert mean(count.probability) == pytest.approx(count.mark_probability.sum(), abs=0.01)


def test_a_bone_is_counted_alike_alone_and_among_hundreds_to_the_last_bit() -> None:
    few = [bone(n) for n in (3, 0, 6, 1)]
    alone = [one(b) for b in few]
    many = count_annuli(few * (AT_ONCE // len(few)) + few[::-1], SETTINGS)  # more than are reckoned at once
    for own, found in zip(alone + alone[::-1], (*many[: len(few)], *many[-len(few) :]), strict=True):
        assert found.probability.tolist() == own.probability.tolist()
        assert found.mark_probability.tolist() == own.mark_probability.tolist()
        assert found.taken == own.taken


def test_no_bones_have_no_counts() -> None:
    assert count_annuli([], SETTINGS) == ()


def test_a_bone_without_a_single_candidate_has_a_count_all_the_same() -> None:
    b = bone(3)
    empty = replace(b, evidence=np.zeros((0, len(EVIDENCE))), fraction=np.zeros(0))
    count, other = count_annuli([empty, b], SETTINGS)
    assert count.probability[0] == pytest.approx(1)
    assert count.taken == ()
    assert other.taken == one(b).taken


def test_more_annuli_than_the_species_has_are_impossible() -> None:
    b = bone(6)
    short = replace(b, most_annuli=4)
    long, cut = count_annuli([b, short], SETTINGS)
    assert long.probability.argmax() == 6
    assert cut.probability[5:].sum() == 0
    assert cut.probability.sum() == pytest.approx(1)
    assert cut.seen <= 4


def test_a_mark_that_is_taken_away_is_counted_no_more() -> None:
    b = bone(5)
    whole = one(b)
    for k in whole.taken[1:-1]:
        left = replace(b, evidence=np.delete(b.evidence, k, axis=0), fraction=np.delete(b.fraction, k))
        assert mean(one(left).probability) < mean(whole.probability) - 0.5


def test_texture_beyond_the_most_candidates_neither_breaks_nor_moves_the_count() -> None:
    b = bone(4)
    plain = one(b)
    faint = b.evidence[[int(np.argmin(plain.mark_probability))]]
    many = MOST_CANDIDATES + 10
    fraction = np.concatenate([b.fraction, np.linspace(0.11, 0.97, many)])
    order = np.argsort(fraction, kind="stable")
    evidence = np.concatenate([b.evidence, np.repeat(faint, many, axis=0)])[order]
    crowded = one(replace(b, evidence=evidence, fraction=fraction[order]))
    assert len(crowded.mark_probability) == len(fraction)
    assert crowded.probability.argmax() == plain.probability.argmax() == 4

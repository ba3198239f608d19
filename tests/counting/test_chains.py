"""What the sequence model works on: candidates in order, and none that is not there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reading import SETTINGS, read_natural

from pipeline.bone.evidence import EVIDENCE
from pipeline.counting.chains import IMPOSSIBLE, MOST_CANDIDATES, ChainBone, Chains, chains
from pipeline.counting.evidence_odds import MOST_LOG_ODDS, evidence_log_odds, node_features
from pipeline.records import BoneReading, Specimen
from pipeline.together.counted import bone_of

ROW = Specimen(specimen="a", scan="a.png")


def reading(annuli: int = 3) -> BoneReading:
    return read_natural(annuli, "fan")[1].reading


def odds_of(bone: ChainBone) -> NDArray[np.float64]:
    return evidence_log_odds(bone.evidence, SETTINGS.evidence)


def chain(*bones: ChainBone) -> tuple[Chains, NDArray[np.int64]]:
    return chains(bones, [odds_of(b) for b in bones])


def with_candidates(bone: ChainBone, many: int) -> ChainBone:
    """The bone with its candidates repeated, evenly along the axis."""
    again = np.resize(np.arange(len(bone.fraction)), many)
    return replace(bone, evidence=bone.evidence[again], fraction=np.linspace(0.1, 0.98, many))


def test_a_bone_that_shows_nothing_is_a_chain_without_candidates() -> None:
    bare = replace(reading(), axis=None, marks=(), traits={})
    c, chosen = chain(bone_of(ROW, bare, SETTINGS), bone_of(ROW, reading(), SETTINGS))
    assert (chosen[0] == -1).all()
    assert (chosen[1] >= 0).any()
    assert (c.node[0] == IMPOSSIBLE).all()


@pytest.mark.parametrize("many", [0, 1, MOST_CANDIDATES, MOST_CANDIDATES + 9])
def test_all_numbers_are_finite_and_candidates_lie_in_order(many: int) -> None:
    c, chosen = chain(with_candidates(bone_of(ROW, reading(), SETTINGS), many))
    for name in Chains.__slots__:
        assert np.isfinite(getattr(c, name)).all(), name
    real = chosen[0] >= 0
    assert np.count_nonzero(real) == min(many, MOST_CANDIDATES)
    assert (np.diff(c.place[0]) > 0).all()
    assert c.place[0][real].max(initial=0) < 1 < c.place[0][~real].min(initial=2)
    assert (c.node[0][~real] == IMPOSSIBLE).all()


def test_of_too_many_candidates_the_likeliest_stay_in_their_order() -> None:
    bone = with_candidates(bone_of(ROW, reading(), SETTINGS), MOST_CANDIDATES + 5)
    odds = np.random.default_rng(0).permutation(len(bone.fraction)).astype(float)
    _, chosen = chains([bone], [odds])
    assert sorted(odds[chosen[0]])[0] == 5  # the five least likely are left out
    assert (np.diff(chosen[0]) > 0).all()


def test_neither_length_nor_date_nor_resolution_moves_what_is_counted() -> None:
    read = reading()
    told = replace(ROW, length_mm=260.0, species="walleye")
    here, there = (chain(bone_of(row, r, SETTINGS))[0] for row, r in ((ROW, read), (told, replace(read, dpi=1200.0))))
    for name in Chains.__slots__:
        assert getattr(here, name) == pytest.approx(getattr(there, name)), name


def test_evidence_like_that_of_all_bones_has_no_say_but_the_constant_and_the_trees() -> None:
    model = SETTINGS.evidence
    features = node_features(np.array(model.centre)[None], np.array([1.5]), model)
    assert features.shape[1] == len(model.weights)
    assert features[0, :2].tolist() == [1.0, 1.5]
    assert features[0, 2:] == pytest.approx(0, abs=1e-9)


@given(where=st.integers(0, len(EVIDENCE) - 1), size=st.floats(5, 1e6))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_absurd_evidence_is_cut_so_that_nothing_runs_away(where: int, size: float) -> None:
    model = SETTINGS.evidence
    odd = np.array(model.centre)[None].repeat(2, axis=0)
    odd[0, where] += size * model.scale[where]
    odd[1, where] -= size * model.scale[where]
    features = node_features(odd, np.array([1e6, -1e6]), model)
    assert np.abs(features[:, 2:]).max() <= model.reach + 1e-9
    assert np.abs(features[:, 1]).max() == MOST_LOG_ODDS


def test_evidence_is_what_shows_and_not_where_it_lies() -> None:
    """No share of the axis, no size, no number of candidates is among the evidence: moved along the axis, a mark with
    the same looks has the same odds."""
    bone = bone_of(ROW, reading(), SETTINGS)
    moved = replace(bone, fraction=np.sqrt(bone.fraction), radius_px=3 * bone.radius_px)
    assert odds_of(moved) == pytest.approx(odds_of(bone))

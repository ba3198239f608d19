"""What the sequence model works on: readings, dates and lengths in numbers that do not depend on scan or unit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reading import SETTINGS, read_natural

from pipeline.bone.marks import EVIDENCE
from pipeline.counting.chains import Bone, bone_of, chains, evidence_features, evidence_log_odds, expected_first_share
from pipeline.counting.sequence import IMPOSSIBLE, MOST_CANDIDATES, Chains
from pipeline.records import BoneReading, Captured, Specimen

GROWTH = SETTINGS.growth
JUNE = Captured(year=2020, month=6, day=10)


def row(**more: object) -> Specimen:
    return Specimen(**({"specimen": "a", "scan": "a.png"} | more))  # type: ignore[arg-type]


def reading(annuli: int = 3) -> BoneReading:
    return read_natural(annuli, "fan")[1].reading


def odds_of(bone: Bone) -> NDArray[np.float64]:
    return evidence_log_odds(bone.evidence, SETTINGS.evidence)


def chain(*bones: Bone) -> tuple[Chains, NDArray[np.int64]]:
    return chains(bones, [odds_of(b) for b in bones])


def with_candidates(bone: Bone, many: int) -> Bone:
    """The bone with its candidates repeated, evenly along the axis."""
    again = np.resize(np.arange(len(bone.fraction)), many)
    return replace(bone, evidence=bone.evidence[again], fraction=np.linspace(0.1, 0.98, many))


# ------------------------------------------------------------------------------------------------ length and first year
def test_the_first_annulus_lies_at_the_share_of_its_length() -> None:
    # Dahl (1907) and Lea (1910): a part of a hard structure grows in proportion to the fish.
    assert expected_first_share(400.0, 500.0, 600.0, 100.0, GROWTH) == pytest.approx(0.25)


@given(scale=st.floats(0.2, 5), radius=st.floats(50, 2000), dpi=st.floats(100, 2400))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_without_a_length_the_bones_size_in_millimetres_stands_in(scale: float, radius: float, dpi: float) -> None:
    here = expected_first_share(None, radius, dpi, 130.0, GROWTH)
    assert expected_first_share(None, radius * scale, dpi * scale, 130.0, GROWTH) == pytest.approx(here)
    assert here * radius / dpi * 25.4 == pytest.approx(130.0 * GROWTH.bone_share_of_length)


def test_without_length_and_resolution_nothing_is_expected() -> None:
    assert np.isnan(expected_first_share(None, 500.0, None, 130.0, GROWTH))
    assert np.isnan(bone_of(row(), replace(reading(), dpi=None), SETTINGS).first_length_share)


def test_a_length_in_the_table_counts_before_the_bones_size() -> None:
    bone = bone_of(row(length_mm=260.0, species="walleye"), reading(), SETTINGS)
    assert bone.first_length_share == pytest.approx(SETTINGS.species_of("walleye").growth.first_year_length_mm / 260.0)


def test_a_bone_that_shows_nothing_is_a_chain_without_candidates() -> None:
    bare = replace(reading(), axis=None, marks=(), traits={})
    c, chosen = chain(bone_of(row(), bare, SETTINGS), bone_of(row(), reading(), SETTINGS))
    assert (chosen[0] == -1).all()
    assert (chosen[1] >= 0).any()
    assert (c.node[0] == IMPOSSIBLE).all()


# ------------------------------------------------------------------------------------------------ arrays
@pytest.mark.parametrize("many", [0, 1, MOST_CANDIDATES, MOST_CANDIDATES + 9])
@pytest.mark.parametrize("captured", [None, JUNE, Captured(year=2020), Captured(year=2020, month=3)])
def test_all_numbers_are_finite_and_candidates_lie_in_order(many: int, captured: Captured | None) -> None:
    bone = with_candidates(bone_of(row(captured=captured, length_mm=250.0), reading(), SETTINGS), many)
    c, chosen = chain(bone)
    for name in Chains.__slots__:
        assert np.isfinite(getattr(c, name)).all(), name
    real = chosen[0] >= 0
    assert np.count_nonzero(real) == min(many, MOST_CANDIDATES)
    assert (np.diff(c.place[0]) > 0).all()
    assert c.place[0][real].max(initial=0) < 1 < c.place[0][~real].min(initial=2)
    assert (c.node[0][~real] == IMPOSSIBLE).all()


def test_of_too_many_candidates_the_likeliest_stay_in_their_order() -> None:
    bone = with_candidates(bone_of(row(), reading(), SETTINGS), MOST_CANDIDATES + 5)
    odds = np.random.default_rng(0).permutation(len(bone.fraction)).astype(float)
    _, chosen = chains([bone], [odds])
    assert sorted(odds[chosen[0]])[0] == 5  # the five least likely are left out
    assert (np.diff(chosen[0]) > 0).all()


def test_a_date_speaks_of_the_margin_and_no_date_does_not() -> None:
    def due(captured: Captured | None) -> float:
        return float(chain(bone_of(row(captured=captured), reading(), SETTINGS))[0].due[0])

    assert due(None) == 0.0
    assert due(Captured(year=2020, month=2, day=1)) < -1 < 1 < due(Captured(year=2020, month=9, day=1))
    without = chain(bone_of(row(), reading(), SETTINGS))[0]
    by_day = chain(bone_of(row(captured=JUNE), reading(), SETTINGS))[0]
    assert not np.allclose(without.season, by_day.season)


def test_the_same_bone_at_twice_the_resolution_is_the_same_chain() -> None:
    small = reading()
    assert small.axis is not None
    assert small.dpi is not None
    (fx, fy), (tx, ty) = small.axis.focus, small.axis.tip
    axis = replace(small.axis, focus=(2 * fx, 2 * fy), tip=(2 * tx, 2 * ty))
    large = replace(small, dpi=2 * small.dpi, axis=axis)
    one, two = (chain(bone_of(row(captured=JUNE), r, SETTINGS))[0] for r in (small, large))
    assert two.radius_px == pytest.approx(2 * one.radius_px)
    for name in ("node", "place", "first_place", "season", "expected", "due"):
        assert getattr(two, name) == pytest.approx(getattr(one, name)), name


def test_the_increment_expected_is_the_one_before_shrunk_at_the_species_rate() -> None:
    # On a von Bertalanffy curve each increment is exp(-rate) times the one before.
    c, chosen = chain(bone_of(row(species="walleye"), reading(), SETTINGS))
    shrunk = np.exp(-SETTINGS.species_of("walleye").growth.growth_rate)
    many = np.count_nonzero(chosen[0] >= 0)
    i, j = np.triu_indices(many, k=1)
    assert c.expected[0, i, j] == pytest.approx((c.place[0, j] - c.place[0, i]) * shrunk)


# ------------------------------------------------------------------------------------------------ evidence
def test_evidence_like_that_of_all_bones_has_no_say_but_the_constant() -> None:
    model = SETTINGS.evidence
    typical = np.array(model.centre)[None]
    features = evidence_features(typical, model)
    assert features.shape[1] == len(model.weights)
    count = len(EVIDENCE)
    assert features[0, 0] == 1
    assert features[0, 1 : 1 + count + count * (count + 1) // 2] == pytest.approx(0, abs=1e-9)


@given(where=st.integers(0, len(EVIDENCE) - 1), size=st.floats(5, 1e6))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_absurd_evidence_is_cut_so_that_no_square_runs_away(where: int, size: float) -> None:
    model = SETTINGS.evidence
    if EVIDENCE[where] == "fraction":  # a share of the axis by nature
        return
    odd = np.array(model.centre)[None].repeat(2, axis=0)
    odd[0, where] += size * model.scale[where]
    odd[1, where] -= size * model.scale[where]
    features = evidence_features(odd, model)
    assert np.abs(features).max() <= model.reach**2 + 1e-9


@given(seed=st.integers(0, 1000), marks=st.integers(0, 30))
@settings(max_examples=30, deadline=None, derandomize=True)
def test_log_odds_are_the_features_times_their_weights(seed: int, marks: int) -> None:
    random, model = np.random.default_rng(seed), SETTINGS.evidence
    evidence = np.array(model.centre) + random.normal(0, 2, (marks, len(EVIDENCE))) * np.array(model.scale)
    model = model.model_copy(update={"weights": tuple(random.normal(0, 1, len(model.weights)))})
    whole = evidence_features(evidence, model) @ np.array(model.weights)
    assert evidence_log_odds(evidence, model) == pytest.approx(whole, rel=1e-9, abs=1e-9)


def test_base_and_margin_weigh_by_where_the_mark_lies() -> None:
    model = SETTINGS.evidence
    marks = np.array(model.centre)[None].repeat(3, axis=0)
    marks[:, EVIDENCE.index("fraction")] = (0.15, 0.7, 0.99)
    count = len(EVIDENCE)
    ends = evidence_features(marks, model)[:, -2 * (count + 1) :]
    base, margin = ends[:, 0], ends[:, count + 1]
    assert base == pytest.approx([1, 0, 0], abs=0.01)
    assert margin == pytest.approx([0, 0, 1], abs=0.01)

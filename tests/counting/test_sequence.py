"""Sums over all ways to count a bone are exact, and its weights are fitted by their true gradient."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from chain_cases import every_path, probabilities, random_chains, random_scores
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.counting import sequence, sequence_fit
from pipeline.counting.chains import IMPOSSIBLE, MOST_CANDIDATES, Chains
from pipeline.counting.features import FEATURES, LEAST_SHARE, features
from pipeline.counting.posterior import given_count, over_all

SIZES = (6, 4, 1, 0, 5)  # candidates of the bones that are enumerated: up to 64 paths each
MOST = 12
seeds = st.integers(0, 10_000)
few = settings(max_examples=8, deadline=None, derandomize=True)


@given(seed=seeds)
@few
def test_sums_over_all_paths_equal_adding_them_up_one_by_one(seed: int) -> None:
    s = random_scores(seed, SIZES)
    counts, marks = sequence.count_probability(s, MOST), sequence.taken_probability(s)
    total = sequence.log_total(s, sequence.forward(s))
    for b, size in enumerate(SIZES):
        paths = every_path(s, b, size)
        p = probabilities(paths)
        count, taken = np.zeros(MOST + 1), np.zeros(MOST_CANDIDATES)
        for path, share in zip(paths, p, strict=True):
            count[path.annuli] += share
            taken[list(path.taken)] += share
        assert total[b] == pytest.approx(np.logaddexp.reduce([q.score for q in paths]))
        assert counts[b] == pytest.approx(count, abs=1e-9)
        assert marks[b] == pytest.approx(taken, abs=1e-9)


@given(seed=seeds)
@few
def test_the_counts_of_a_bone_have_probability_one_together(seed: int) -> None:
    s = random_scores(seed, (0, 3, 12, MOST_CANDIDATES))
    count = sequence.count_probability(s, 30)
    assert count.sum(1) == pytest.approx(1)
    assert (count >= 0).all()
    assert sequence.taken_probability(s).max() <= 1 + 1e-9


@given(seed=seeds)
@few
def test_the_mean_count_is_that_of_the_marks_taken(seed: int) -> None:
    s = random_scores(seed, (0, 1, 5, 9))
    mean = sequence.count_probability(s, 30) @ np.arange(31)
    assert mean == pytest.approx(sequence.taken_probability(s).sum(1))


@given(seed=seeds, which=st.integers(0, 5), by=st.floats(0.1, 4))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_a_stronger_candidate_is_never_less_probable(seed: int, which: int, by: float) -> None:
    s = random_scores(seed, (6,))
    node = s.node.copy()
    node[0, which] += by
    before, after = (sequence.taken_probability(x)[0] for x in (s, replace(s, node=node)))
    assert after[which] >= before[which] - 1e-12


@given(seed=seeds)
@few
def test_a_place_without_a_candidate_is_never_taken(seed: int) -> None:
    s = random_scores(seed, (3, 0))
    taken, count = sequence.taken_probability(s), sequence.count_probability(s, MOST)
    assert taken[0, 3:].max() < 1e-12
    assert taken[1].max() < 1e-12
    assert count[0, 4:].sum() < 1e-9
    assert count[1, 1:].sum() < 1e-9


@given(seed=seeds)
@few
def test_scores_straight_from_the_chains_are_those_of_their_features(seed: int) -> None:
    random = np.random.default_rng(seed)
    chains, weights = random_chains(random, SIZES), random.normal(0, 0.3, len(FEATURES))
    straight, by_features = sequence.scores_of(chains, weights), sequence.scores(chains.node, features(chains), weights)
    for part in straight.__slots__:
        assert getattr(straight, part) == pytest.approx(getattr(by_features, part))


@given(seed=seeds)
@few
def test_bones_do_not_hear_of_each_other(seed: int) -> None:
    sizes = (5, 2, 7)
    random = np.random.default_rng(seed)
    chains, weights = random_chains(random, sizes), random.normal(0, 0.3, len(FEATURES))
    together = sequence.scores(chains.node, features(chains), weights)
    for b in range(len(sizes)):
        one = Chains(**{f: getattr(chains, f)[b : b + 1] for f in Chains.__slots__})
        alone = sequence.scores(one.node, features(one), weights)
        assert sequence.count_probability(alone, MOST)[0] == pytest.approx(
            sequence.count_probability(together, MOST)[b]
        )
        assert sequence.taken_probability(alone)[0] == pytest.approx(sequence.taken_probability(together)[b])


def test_every_weight_is_named_once() -> None:
    assert len(set(FEATURES)) == len(FEATURES)


@given(seed=seeds, stretch=st.floats(0.6, 1.0))
@few
def test_the_sequence_does_not_ask_where_on_the_axis_marks_lie(seed: int, stretch: float) -> None:
    """All marks drawn towards the focus alike: increments keep their ratios, and only the growth beyond the last one
    is another. What weighs is how marks lie to each other and what the pixels can part."""
    random = np.random.default_rng(seed)
    here = random_chains(random, (6,))
    real = here.node > IMPOSSIBLE / 2
    assume(np.diff(here.place[0, :6]).min() > 2 * LEAST_SHARE)  # nearer ones are taken for this far apart
    there = replace(here, place=np.where(real, stretch * here.place, here.place), radius_px=here.radius_px / stretch)
    one, two = features(here), features(there)
    within = np.ix_([0], range(7), range(6))
    mask = sequence.valid_mask(6)[None, :, :, None]
    assert (one.pair[within] * mask) == pytest.approx(two.pair[within] * mask, abs=1e-6)


# ------------------------------------------------------------------------------------------------ one known count
@given(seed=seeds)
@few
def test_use_of_every_part_over_the_paths_of_one_count_equals_adding_up(seed: int) -> None:
    s = random_scores(seed, SIZES)
    annuli = np.array([3, 1, 1, 0, 4])
    found = given_count(s, annuli)
    for b, size in enumerate(SIZES):
        paths = [p for p in every_path(s, b, size) if p.annuli == annuli[b]]
        p = probabilities(paths)
        taken = np.zeros(MOST_CANDIDATES)
        for path, share in zip(paths, p, strict=True):
            taken[list(path.taken)] += share
        assert found.log_total[b] == pytest.approx(np.logaddexp.reduce([q.score for q in paths]))
        assert found.pair[b].sum(0) == pytest.approx(taken, abs=1e-9)
        assert found.end[b].sum() + found.none[b] == pytest.approx(1)


@given(seed=seeds)
@few
def test_use_over_all_paths_is_the_mean_of_that_over_each_count(seed: int) -> None:
    s = random_scores(seed, (5,))
    everything, count = over_all(s), sequence.count_probability(s, MOST)
    for part in ("pair", "triple", "end"):
        mean = sum(count[0, n] * getattr(given_count(s, np.array([n])), part)[0] for n in range(6))
        assert getattr(everything, part)[0] == pytest.approx(mean, abs=1e-9)


# ------------------------------------------------------------------------------------------------ fitting
EVIDENCE_SIZE = 4
Loss = Callable[[NDArray[np.float64]], tuple[float, NDArray[np.float64]]]


def problem(seed: int) -> sequence_fit.Problem:
    random = np.random.default_rng(seed)
    sizes = (6, 5, 3, 0, 4, 2)
    chains = random_chains(random, sizes)
    node = random.normal(0, 1, (len(sizes), MOST_CANDIDATES, EVIDENCE_SIZE)).astype(np.float32)
    node[chains.node < IMPOSSIBLE / 2] = 0
    paths = (
        (0, 2, 5),
        (1, 4),
        None,  # the candidates cannot tell: the count alone is known
        (),
        None,  # nothing is known
        (),
    )
    counts = (3, 2, 2, 0, None, 0)
    return sequence_fit.Problem(chains=chains, node=node, paths=paths, counts=counts, count_share=0.4)


def start(seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    random = np.random.default_rng([seed, 1])
    return random.normal(0, 0.3, EVIDENCE_SIZE), random.normal(0, 0.2, len(FEATURES))


def loss_of(seed: int, monkeypatch: pytest.MonkeyPatch) -> tuple[Loss, NDArray[np.float64]]:
    """What `fit` hands to the optimiser."""
    caught: list[Loss] = []

    class Found:
        x = np.concatenate(start(seed))

    def catch(loss: Loss, origin: NDArray[np.float64], **_: object) -> Found:
        caught.append(loss)
        return Found()

    monkeypatch.setattr(sequence_fit, "minimize", catch)
    sequence_fit.fit(problem(seed), start(seed), np.full(EVIDENCE_SIZE, 0.01), np.full(len(FEATURES), 0.02), 5)
    return caught[0], np.concatenate(start(seed))


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_the_gradient_is_that_of_finite_differences(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    loss, origin = loss_of(seed, monkeypatch)
    theta = origin + np.random.default_rng([seed, 2]).normal(0, 0.1, len(origin))
    _, gradient = loss(theta)
    step = 1e-3
    for which in range(len(origin)):
        up, down = theta.copy(), theta.copy()
        up[which] += step
        down[which] -= step
        slope = (loss(up)[0] - loss(down)[0]) / (2 * step)
        # Evidence is summed in single precision: some 1e-6 of the loss, over twice the step.
        assert gradient[which] == pytest.approx(slope, rel=5e-3, abs=2e-3), which


def test_fitting_makes_what_is_known_likelier(monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patched:
        loss, origin = loss_of(5, patched)
    evidence, chain = sequence_fit.fit(
        problem(5), start(5), np.full(EVIDENCE_SIZE, 0.01), np.full(len(FEATURES), 0.02), 10
    )
    assert loss(np.concatenate([evidence, chain]))[0] < loss(origin)[0]


def test_a_strong_penalty_keeps_the_weights_where_they_were() -> None:
    evidence, chain = sequence_fit.fit(
        problem(6), start(6), np.full(EVIDENCE_SIZE, 1e5), np.full(len(FEATURES), 1e5), 20
    )
    before = start(6)
    assert evidence == pytest.approx(before[0], abs=1e-3)
    assert chain == pytest.approx(before[1], abs=1e-3)

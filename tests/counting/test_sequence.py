"""Sums over all ways to count a bone are exact, and its weights are fitted by their true gradient."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from chain_cases import every_path, probabilities, random_chains, random_scores
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from pipeline.counting import sequence, sequence_fit
from pipeline.counting.posterior import given_count, over_all
from pipeline.counting.sequence import FEATURES, IMPOSSIBLE, MOST_CANDIDATES, marginals

SIZES = (6, 4, 1, 0, 5)  # candidates of the bones that are enumerated: up to 254 paths each
MOST = 12
seeds = st.integers(0, 10_000)
few = settings(max_examples=8, deadline=None, derandomize=True)


@given(seed=seeds, known=st.booleans())
@few
def test_sums_over_all_paths_equal_adding_them_up_one_by_one(seed: int, known: bool) -> None:
    s = random_scores(seed, SIZES, known=known)
    m = marginals(s, MOST)
    total = sequence.log_total(s, sequence.forward(s))
    for b, size in enumerate(SIZES):
        paths = every_path(s, b, size)
        p = probabilities(paths)
        count, taken = np.zeros(MOST + 1), np.zeros(MOST_CANDIDATES)
        for path, share in zip(paths, p, strict=True):
            count[path.annuli] += share
            taken[list(path.taken)] += share
        assert total[b] == pytest.approx(np.logaddexp.reduce([q.score for q in paths]))
        assert m.count[b] == pytest.approx(count, abs=1e-9)
        assert m.taken[b] == pytest.approx(taken, abs=1e-9)
        assert m.hidden_first[b] == pytest.approx(sum(p[k] for k, q in enumerate(paths) if q.hidden_first), abs=1e-9)
        assert m.late[b] == pytest.approx(sum(p[k] for k, q in enumerate(paths) if q.late), abs=1e-9)


@given(seed=seeds)
@few
def test_the_counts_of_a_bone_have_probability_one_together(seed: int) -> None:
    m = marginals(random_scores(seed, (0, 3, 12, MOST_CANDIDATES)), 30)
    assert m.count.sum(1) == pytest.approx(1)
    assert (m.count >= 0).all()
    assert m.taken.max() <= 1 + 1e-9


@given(seed=seeds)
@few
def test_hidden_first_and_late_last_annuli_are_part_of_the_count(seed: int) -> None:
    # The mean count is that of the marks taken, and of those that nothing shows.
    m = marginals(random_scores(seed, (0, 1, 5, 9)), 30)
    mean = m.count @ np.arange(31)
    assert mean == pytest.approx(m.taken.sum(1) + m.hidden_first + m.late)


@given(seed=seeds, which=st.integers(0, 5), by=st.floats(0.1, 4))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_a_stronger_candidate_is_never_less_probable(seed: int, which: int, by: float) -> None:
    s = random_scores(seed, (6,))
    node = s.node.copy()
    node[0, which] += by
    before, after = (marginals(x, MOST).taken[0] for x in (s, replace(s, node=node)))
    assert after[which] >= before[which] - 1e-12


@given(seed=seeds)
@few
def test_a_place_without_a_candidate_is_never_taken(seed: int) -> None:
    m = marginals(random_scores(seed, (3, 0)), MOST)
    assert m.taken[0, 3:].max() < 1e-12
    assert m.taken[1].max() < 1e-12
    assert m.count[0, 6:].sum() < 1e-9  # three candidates, one hidden, one late
    assert m.count[1, 2:].sum() < 1e-9


@given(seed=seeds)
@few
def test_bones_do_not_hear_of_each_other(seed: int) -> None:
    sizes = (5, 2, 7)
    random = np.random.default_rng(seed)
    chains, weights = random_chains(random, sizes), random.normal(0, 0.3, len(FEATURES))
    together = marginals(sequence.scores(chains, weights), MOST)
    for b in range(len(sizes)):
        one = sequence.Chains(**{f: getattr(chains, f)[b : b + 1] for f in sequence.Chains.__slots__})
        alone = marginals(sequence.scores(one, weights), MOST)
        assert alone.count[0] == pytest.approx(together.count[b])
        assert alone.taken[0] == pytest.approx(together.taken[b])


def test_what_nothing_is_known_of_has_no_say() -> None:
    # Without length and date neither the place of the first mark nor the season may weigh.
    random = np.random.default_rng(1)
    chains = random_chains(random, (5,), known=False)
    weights = np.zeros(len(FEATURES))
    unmoved = marginals(sequence.scores(chains, weights), MOST).count
    for name in ("first_place", "first_place_square", "first_place_tail", "hidden_place", "season", "late_due",
                 "none_length", "none_length_square", "none_due", "none_late_length", "late_season"):  # fmt: skip
        weights[FEATURES.index(name)] = 1.7
    assert marginals(sequence.scores(chains, weights), MOST).count == pytest.approx(unmoved)


def test_every_weight_is_named_once() -> None:
    assert len(set(FEATURES)) == len(FEATURES)
    assert set(sequence.PRIORS) <= set(FEATURES)


# ------------------------------------------------------------------------------------------------ one known count
@given(seed=seeds)
@few
def test_use_of_every_part_over_the_paths_of_one_count_equals_adding_up(seed: int) -> None:
    s = random_scores(seed, SIZES)
    annuli = np.array([3, 1, 2, 1, 4])
    found = given_count(s, annuli)
    for b, size in enumerate(SIZES):
        paths = [p for p in every_path(s, b, size) if p.annuli == annuli[b]]
        p = probabilities(paths)
        taken = np.zeros(MOST_CANDIDATES)
        for path, share in zip(paths, p, strict=True):
            taken[list(path.taken)] += share
        assert found.log_total[b] == pytest.approx(np.logaddexp.reduce([q.score for q in paths]))
        assert found.pair[b].sum(0) == pytest.approx(taken, abs=1e-9)
        late = found.late[b].sum() + found.none_late[b]
        assert late == pytest.approx(sum(x for x, q in zip(p, paths, strict=True) if q.late), abs=1e-9)
        ends = found.end[b].sum() + found.late[b].sum() + found.none[b] + found.none_late[b]
        assert ends == pytest.approx(1)


@given(seed=seeds)
@few
def test_use_over_all_paths_is_the_mean_of_that_over_each_count(seed: int) -> None:
    s = random_scores(seed, (5,))
    everything, m = over_all(s), marginals(s, MOST)
    for part in ("pair", "triple", "end", "late"):
        mean = sum(m.count[0, n] * getattr(given_count(s, np.array([n])), part)[0] for n in range(8))
        assert getattr(everything, part)[0] == pytest.approx(mean, abs=1e-9)


# ------------------------------------------------------------------------------------------------ fitting
EVIDENCE_SIZE = 4
Loss = Callable[[NDArray[np.float64]], tuple[float, NDArray[np.float64]]]


def problem(seed: int) -> sequence_fit.Problem:
    random = np.random.default_rng(seed)
    sizes = (6, 5, 3, 0, 4, 2)
    chains = random_chains(random, sizes)
    evidence = random.normal(0, 1, (len(sizes), MOST_CANDIDATES, EVIDENCE_SIZE)).astype(np.float32)
    evidence[chains.node < IMPOSSIBLE / 2] = 0
    paths = (
        sequence_fit.Path((0, 2, 5), False, False),
        sequence_fit.Path((1, 4), True, False),
        None,  # the candidates cannot tell: the count alone is known
        sequence_fit.Path((), False, True),
        sequence_fit.Path((0, 3), False, True),
        sequence_fit.Path((), False, False),
    )
    annuli = (3, 3, 2, 1, 3, 0)
    return sequence_fit.Problem(chains=chains, evidence=evidence, paths=paths, annuli=annuli, count_weight=0.4)


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


def test_known_annuli_become_paths_with_hidden_and_late_ones() -> None:
    labels = [np.array(x) for x in ([0, -1, 1], [1, 2], [0, 1], [0, 2], [], [-1], [])]
    found = sequence_fit.paths(labels, [2, 3, 3, 3, 0, 1, 1])
    path = sequence_fit.Path
    assert found == [
        path((0, 2), False, False),
        path((0, 1), True, False),  # annulus 0 is not among the candidates
        path((0, 1), False, True),  # annulus 2 is not
        None,  # one in the middle is missing: candidates cannot tell
        path((), False, False),
        path((), False, True),
        path((), False, True),
    ]

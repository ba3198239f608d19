"""The marks counted are those of the likeliest path with the number wanted."""

from __future__ import annotations

import numpy as np
import pytest
from chain_cases import every_path, random_scores
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.counting.chains import MOST_CANDIDATES
from pipeline.counting.decode import best_paths

seeds = st.integers(0, 10_000)
few = settings(max_examples=10, deadline=None, derandomize=True)


@given(seed=seeds, spread=st.sampled_from([0.1, 0.4, 1.0]))
@few
def test_the_best_path_of_each_count_is_that_of_trying_them_all(seed: int, spread: float) -> None:
    s = random_scores(seed, (5, 5, 5, 5, 5, 5), spread)
    wanted = list(range(6))
    for b, (annuli, found) in enumerate(zip(wanted, best_paths(s, wanted), strict=True)):
        paths = [p for p in every_path(s, b, 5) if p.annuli == annuli]
        best = max(paths, key=lambda p: p.score)
        (same,) = [p for p in paths if p.taken == found]
        assert same.score == pytest.approx(best.score)


@given(seed=seeds)
@few
def test_a_path_has_as_many_annuli_as_asked_in_order_from_the_focus(seed: int) -> None:
    random = np.random.default_rng(seed)
    sizes = tuple(int(n) for n in random.integers(3, MOST_CANDIDATES + 1, 6))
    s = random_scores(seed, sizes)
    annuli = [int(random.integers(0, n + 1)) for n in sizes]
    for size, wanted, path in zip(sizes, annuli, best_paths(s, annuli), strict=True):
        assert len(path) == wanted
        assert list(path) == sorted(set(path))
        assert all(0 <= t < size for t in path)


def test_the_order_of_bones_does_not_matter() -> None:
    s = random_scores(3, (4,) * 90)
    annuli = [k % 5 for k in range(90)]
    found = best_paths(s, annuli)
    backwards = best_paths(type(s)(**{f: getattr(s, f)[::-1] for f in s.__slots__}), annuli[::-1])
    assert found == backwards[::-1]


def test_no_bones_have_no_paths() -> None:
    assert best_paths(random_scores(0, ()), []) == []

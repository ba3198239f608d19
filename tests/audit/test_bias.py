"""The age-bias table."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from pipeline.audit.bias import age_bias, holm

TABLE = np.array([[10, 2, 0, 0], [1, 12, 5, 1], [0, 1, 9, 4], [0, 0, 2, 6]])


def readings() -> tuple[np.ndarray, np.ndarray]:
    rows, columns = np.indices(TABLE.shape)
    a, b = (np.repeat(x.ravel(), TABLE.ravel()).astype(float) + 1 for x in (rows, columns))
    return a, b


def test_means_of_a_table_worked_by_hand():
    rows = age_bias(*readings())
    assert [r.n for r in rows] == [12, 19, 14, 8]
    assert [r.mean.value for r in rows] == pytest.approx([1.1667, 2.3158, 3.2143, 3.75], abs=1e-4)
    two = rows[1]
    assert two.mean.high - two.mean.value == pytest.approx(0.3234, abs=1e-4)
    assert two.mean.low < 2 < two.mean.high
    assert not two.excludes_equality


def test_an_age_that_is_always_short_leaves_equality_without_a_spread():
    rows = age_bias(np.repeat([3.0, 8.0], 12), np.repeat([3.0, 7.0], 12))
    assert [r.excludes_equality_adjusted for r in rows] == [False, True]
    assert rows[1].mean.low is None  # all equal: no interval, and the sign test decides
    assert rows[1].p == pytest.approx(2 * 0.5**12)


def test_one_bone_of_an_age_shows_nothing():
    (row,) = age_bias(np.array([5.0]), np.array([2.0]))
    assert (row.sd, row.p, row.excludes_equality_adjusted) == (None, None, False)


def test_many_ages_are_adjusted_for_as_statsmodels_does():
    ps = [0.001, 0.04, None, 0.03, 0.5]
    known = [p for p in ps if p is not None]
    assert [q for q in holm(ps) if q is not None] == pytest.approx(list(multipletests(known, method="holm")[1]))

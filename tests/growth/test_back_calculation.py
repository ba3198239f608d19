"""Lengths at earlier ages: one fish worked by hand through every model, and what all models have in common."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.fish_records import Fish, FishMarks
from pipeline.growth.back_calculation import (
    METHODS,
    body_proportional,
    direct_proportion,
    fraser_lee,
    power_proportional,
    scale_proportional,
)
from pipeline.growth.body_bone import body_bone
from pipeline.growth.lee import lee
from pipeline.growth.lengths_at_age import at_capture, earlier_lengths, from_marks

SHARE = np.array([0.4, 0.65, 0.85])  # annuli at 4, 6.5 and 8.5 mm of an axis of 10 mm, in a fish of 250 mm


def fish(name: str, length: float, radius: float | None, shares: tuple[float, ...], age: int | None = None) -> Fish:
    marks = FishMarks(specimen=name, radius_mm=radius, fractions=shares)
    return Fish(fish=name, species="sauger", water="a", age_class=age or len(shares), length_mm=length, marks=marks)


def sample(scale: float = 1.0) -> list[Fish]:
    """Fish whose bones follow their lengths; `scale` is an error of the resolution."""
    random = np.random.default_rng(1)
    return [
        fish(f"F{i}", x, scale * 0.06 * (x - 20) * random.lognormal(0, 0.05), (0.3, 0.55, 0.8))
        for i, x in enumerate(np.linspace(120, 500, 40))
    ]


@pytest.mark.parametrize(
    ("found", "lengths"),
    [
        (direct_proportion(250, SHARE), [100, 162.5, 212.5]),
        (fraser_lee(250, SHARE, 30), [118, 173, 217]),
        (body_proportional(250, SHARE, 10, 20, 24), [111.538, 169.231, 215.385]),
        (scale_proportional(250, SHARE, -0.8, 0.042), [111.429, 169.167, 215.357]),
        (power_proportional(250, SHARE, 0.9), [109.596, 169.653, 215.982]),
        (power_proportional(250, SHARE, 1 / 1.08), [107.023, 167.769, 215.074]),
    ],
)
def test_one_fish_through_every_model(found, lengths):
    # Formulas as in Francis 1990, from memory; worked by hand.
    assert found == pytest.approx(lengths, abs=1e-3)


@pytest.mark.parametrize("method", METHODS, ids=lambda m: m.name)
def test_every_model_gives_the_length_at_capture_at_the_margin_and_rising_lengths_before(method):
    # An identity of all these models (Francis 1990).
    relation = body_bone("sauger", sample(), None, "")
    lengths = method.lengths(250.0, np.array([0.2, 0.5, 0.9, 1.0]), 14.0, relation)
    assert lengths[-1] == pytest.approx(250)
    assert (np.diff(lengths) > 0).all()


@settings(deadline=None, derandomize=True)
@given(st.floats(100, 800), st.floats(-3, -0.1), st.floats(0.01, 0.2))
def test_the_linear_scale_proportional_model_is_fraser_lee_with_another_intercept(length, e, f):
    # Francis 1990: a = -e/f.
    assert scale_proportional(length, SHARE, e, f) == pytest.approx(fraser_lee(length, SHARE, -e / f))


def test_the_linear_body_proportional_model_through_nought_is_direct_proportion():
    assert body_proportional(250, SHARE, 10, 0.0, 24) == pytest.approx(direct_proportion(250, SHARE))


def test_a_wrong_resolution_leaves_direct_proportion_and_powers_alone():
    # Millimetres on the bone twice too large: forms without an intercept in mm cannot see it.
    once, twice = (
        {m.name: from_marks(earlier_lengths(s, m, body_bone("sauger", s, None, "")))[0].mean.value for m in METHODS}
        for s in (sample(), sample(2.0))
    )
    assert once == pytest.approx(twice)  # the relation of one's own fish carries the same error, so all stay
    foreign = body_bone("sauger", sample(), None, "")
    moved = {m.name: from_marks(earlier_lengths(sample(2.0), m, foreign))[0].mean.value - once[m.name] for m in METHODS}
    same = {name for name, by in moved.items() if abs(by) < 1e-6}
    assert {"direct_proportion", "body_proportional_power", "scale_proportional_power"} <= same
    assert "body_proportional_linear" not in same


def test_fish_without_a_resolution_have_lengths_by_direct_proportion_only():
    blind = [fish("F", 300.0, None, (0.3, 0.6))]
    relation = body_bone("sauger", sample(), None, "")
    assert [m.name for m in METHODS if earlier_lengths(blind, m, relation)] == ["direct_proportion"]


def test_the_relation_of_bone_and_body_gives_its_range_and_the_source_of_its_intercept():
    own = body_bone("sauger", sample(), None, "")
    assert (own.n, own.shortest_mm, own.longest_mm) == (40, 120, 500)
    assert own.fraser_lee_mm == own.length_on_radius.intercept
    assert "40 fish" in own.fraser_lee_source
    given_one = body_bone("sauger", sample(), 25.0, "a report on small fish")
    assert (given_one.fraser_lee_mm, given_one.fraser_lee_source) == (25.0, "a report on small fish")


def test_nine_fish_make_no_relation_of_bone_and_body():
    assert body_bone("sauger", sample()[:9], None, "") is None


def test_mean_lengths_from_marks_and_at_capture_stand_apart():
    two = [fish("F", 250.0, 10.0, tuple(SHARE)), fish("G", 300.0, 12.0, tuple(SHARE))]
    (marked, *_) = from_marks(earlier_lengths(two, METHODS[0], None))
    (caught,) = at_capture(two)
    assert (marked.age_class, marked.n, marked.mean.value, marked.source) == (1, 2, 110.0, "marks")
    assert (caught.age_class, caught.n, caught.mean.value, caught.source) == (3, 2, 275.0, "capture")


def test_fish_that_grew_old_and_were_small_when_young_show_lees_phenomenon():
    random = np.random.default_rng(2)

    def grown(smaller: float) -> list[Fish]:
        out = []
        for i in range(120):
            age = int(random.integers(2, 9))
            first = 150 - smaller * age + random.normal(0, 10)
            out.append(fish(f"F{i}", 500.0, 30.0, (first / 500, *np.linspace(0.5, 0.9, age - 1)), age))
        return out

    slopes = {name: lee(earlier_lengths(grown(by), METHODS[0], None))[0] for name, by in (("lee", 5.0), ("none", 0.0))}
    assert slopes["lee"].shows
    assert slopes["lee"].slope.low < -5 < slopes["lee"].slope.high
    assert not slopes["none"].shows

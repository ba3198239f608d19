"""The age-length key against a printed example, and the ages it gives to fish that were only measured."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.linear_model import LogisticRegression

from pipeline.fish_records import Fish
from pipeline.growth.age_length_key import Key, age_length_key, ages_of_lengths
from pipeline.growth.key_smoothing import smoothed
from pipeline.growth.sharing_out import shared_out

# A printed teaching example (slideplayer.com/slide/9714034): 16 aged fish, 14 measured ones, classes of 10 cm.
AGED = "22 1,24 1,26 2,27 2,30 1,32 2,34 2,39 3,40 1,44 2,46 3,49 3,52 2,53 2,55 3,56 3"
MEASURED = np.array([23, 25, 26, 28, 32, 33, 36, 40, 43, 44, 48, 49, 51, 54], float)


def aged(text: str = AGED) -> list[Fish]:
    pairs = [pair.split() for pair in text.split(",")]
    return [
        Fish(fish=f"F{i}", species="walleye", water="a", age_class=int(age), length_mm=float(length))
        for i, (length, age) in enumerate(pairs)
    ]


def counted(key: Key, lengths: np.ndarray) -> np.ndarray:
    return np.bincount(key.bin_of(lengths), minlength=key.aged.shape[0])


def test_the_printed_example_gives_the_printed_key():
    key = age_length_key("walleye", "a", aged(), 10)
    assert key.lower_mm.tolist() == [20, 30, 40, 50]
    assert key.share == pytest.approx(np.array([[0.5, 0.5, 0], [0.25, 0.5, 0.25], [0.25, 0.25, 0.5], [0, 0.5, 0.5]]))
    assert counted(key, MEASURED).tolist() == [4, 3, 5, 2]


def test_the_printed_example_gives_the_ages_of_the_measured_fish():
    # Expected numbers worked by hand from the printed key.
    key = age_length_key("walleye", "a", aged(), 10)
    found = ages_of_lengths(key, counted(key, MEASURED))
    assert [s.fish for s in found.shares] == pytest.approx([4.00, 5.75, 4.25])
    assert found.fish == 14


def test_all_thirty_fish_of_the_example_with_the_errors_of_kimuras_formula():
    # Variance of Kimura 1977 and of Quinn and Deriso 1999, from memory, with n - 1; worked by hand.
    key = age_length_key("walleye", "a", aged(), 10)
    lengths = np.concatenate([[f.length_mm for f in aged()], MEASURED])
    found = ages_of_lengths(key, counted(key, lengths))
    assert [s.proportion.value for s in found.shares] == pytest.approx([0.26667, 0.42500, 0.30833], abs=1e-5)
    assert [s.se for s in found.shares] == pytest.approx([0.12616, 0.14092, 0.12538], abs=1e-5)


def test_a_round_example_worked_by_hand():
    # Shares .8 .2 0, .3 .5 .2, 0 .25 .75 of 10, 20, 20 aged fish; 50, 100, 50 measured.
    of_ages = np.array([[8, 2, 0], [6, 10, 4], [0, 5, 15]], float)
    key = Key(species="walleye", water="a", bin_mm=20, first_bin=5, ages=np.array([1, 2, 3]), aged=of_ages)
    found = ages_of_lengths(key, np.array([50, 100, 50]))
    assert [s.fish for s in found.shares] == pytest.approx([70, 72.5, 57.5])
    assert [s.se for s in found.shares] == pytest.approx([0.06547, 0.07151, 0.05578], abs=1e-5)
    assert key.share_se[0] == pytest.approx(np.sqrt([0.16 / 9, 0.16 / 9, 0]))


def test_a_class_without_aged_fish_is_told_and_its_fish_are_counted_apart():
    key = age_length_key("walleye", "a", aged("110 1,115 1,170 2,175 3"), 20)
    assert key.empty == (120, 140)
    found = ages_of_lengths(key, np.array([3, 4, 0, 2]))
    assert (found.fish, found.without_key) == (5, 4)
    assert np.isnan(key.share[1]).all()


def test_a_class_with_one_aged_fish_is_told_since_its_error_is_unknown():
    key = age_length_key("walleye", "a", aged("110 1,115 1,125 2"), 20)
    assert np.isnan(key.share_se[1]).all()
    assert ages_of_lengths(key, np.array([3, 4])).single == (120,)


def test_a_length_on_the_edge_of_a_class_belongs_to_the_upper_one():
    key = age_length_key("walleye", "a", aged("119.9 1,120 2"), 20)
    assert key.bin_of(np.array([100.0, 119.9, 120.0, 139.9, 140.0, 90.0])).tolist() == [0, 0, 1, 1, 2, -1]


def test_a_fish_of_uncertain_age_counts_for_a_part_at_each():
    unsure = Fish(
        fish="F", species="walleye", water="a", age_class=2, length_mm=105, age_probabilities=((1, 0.25), (2, 0.75))
    )
    assert age_length_key("walleye", "a", [unsure], 20).aged.tolist() == [[0.25, 0.75]]


def test_the_smooth_key_fills_an_empty_class_with_what_lies_about_it():
    random = np.random.default_rng(1)
    text = ",".join(
        f"{x:.0f} {1 + (x + random.normal(0, 25) > 200)}" for x in np.linspace(120, 279, 200) if not 179.4 <= x < 200
    )
    key = age_length_key("walleye", "a", aged(text), 20)
    smooth = smoothed(key).share
    assert key.empty == (180,)
    assert smooth.sum(axis=1) == pytest.approx(np.ones(8))
    assert smooth[2, 1] < smooth[3, 1] < smooth[4, 1]


def test_the_smooth_key_is_the_multinomial_logit_of_a_reference_library():
    # Reference: LogisticRegression of scikit-learn with the same penalty.
    random = np.random.default_rng(3)
    ages = random.integers(1, 5, 300)
    lengths = 60 * ages + random.normal(0, 45, 300) + 100
    key = age_length_key("walleye", "a", aged(",".join(f"{x:.0f} {a}" for x, a in zip(lengths, ages, strict=True))), 20)
    middle = key.lower_mm + 10
    scaled = ((middle - middle.mean()) / middle.std())[:, None]
    rows, columns = np.nonzero(key.aged)
    model = LogisticRegression(C=1e4, max_iter=20_000, tol=1e-9)
    model.fit(scaled[rows], columns, sample_weight=key.aged[rows, columns])
    assert smoothed(key).share == pytest.approx(model.predict_proba(scaled), abs=2e-3)


def test_a_smooth_key_of_ages_that_lengths_part_completely_is_sure_and_ends():
    smooth = smoothed(age_length_key("walleye", "a", aged("110 1,115 1,150 2,155 2,190 3,195 3"), 20)).share
    assert smooth[[0, 2, 4]] == pytest.approx(np.eye(3), abs=0.01)


def test_whole_fish_are_shared_out_as_the_key_has_it():
    key = age_length_key("walleye", "a", aged(), 10)
    ages = shared_out(key, np.full(8, 45.0), np.random.default_rng(1))
    assert sorted(ages) == [1, 1, 2, 2, 3, 3, 3, 3]


@settings(deadline=None, derandomize=True)
@given(st.lists(st.integers(10, 65), min_size=1, max_size=40), st.integers(0, 99))
def test_every_measured_fish_within_the_key_gets_an_age_that_its_class_has(lengths, seed):
    key = age_length_key("walleye", "a", aged(), 10)
    lengths = np.array(lengths, float)
    for length, age in zip(lengths, shared_out(key, lengths, np.random.default_rng(seed)), strict=True):
        row = int(key.bin_of(np.array([length]))[0])
        if 0 <= row < 4:
            assert key.share[row, age - 1] > 0
        else:
            assert age is None


def test_the_key_finds_the_ages_of_a_large_catch_without_bias():
    # 200 catches of 400 fish, 150 of them aged: the mean over catches is the truth within three standard errors.
    random = np.random.default_rng(2)
    off, inside = [], 0
    for _ in range(200):
        age = random.choice([1, 2, 3, 4], 400, p=[0.4, 0.3, 0.2, 0.1])
        length = 100 + 60 * age + random.normal(0, 25, 400)
        fish = [
            Fish(fish=str(i), species="walleye", water="a", age_class=int(age[i]), length_mm=float(length[i]))
            for i in range(150)
        ]
        key = age_length_key("walleye", "a", fish, 20)
        rows = key.bin_of(length)
        rows = rows[(rows >= 0) & (rows < key.aged.shape[0])]
        found = ages_of_lengths(key, np.bincount(rows, minlength=key.aged.shape[0]))
        first = found.shares[0].proportion
        off.append(first.value - 0.4)
        inside += first.low <= 0.4 <= first.high
    assert abs(np.mean(off)) < 3 * np.std(off) / 200**0.5 + 0.005  # fish outside the key's classes are left out
    assert inside / 200 == pytest.approx(0.95, abs=0.05)

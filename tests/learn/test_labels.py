"""True annuli are laid onto candidates, and what hardly shows teaches neither yes nor no."""

from __future__ import annotations

from array import array

import numpy as np
import pytest

from pipeline.bone.evidence import EVIDENCE
from pipeline.learn.labels import labels_of, target_of
from pipeline.learn.truth import Truth
from pipeline.records import BoneReading, Mark

RADIUS = 400.0
TRUE = (0.3, 0.5, 0.65, 0.75)


def truth(fractions: tuple[float, ...] = TRUE, visibility: tuple[float, ...] | None = None) -> Truth:
    return Truth(
        annuli=len(fractions),
        age_class=len(fractions),
        first_year_obscured=False,
        make="drawn",
        level="clean",
        lighting="dark",
        dpi=600,
        focus=(10.0, 20.0),
        tip=(10.0 + RADIUS, 20.0),
        fractions=np.array(fractions),
        visibility=np.array(visibility or (0.8,) * len(fractions)),
        arcs=tuple((np.array([-40.0, 40.0]), np.full(2, f * RADIUS)) for f in fractions),
    )


def reading(fractions: tuple[float, ...], plain: tuple[float, ...] = ()) -> BoneReading:
    """Candidates along the axis; `plain`: share of the blocks that show each."""
    marks = []
    for k, f in enumerate(fractions):
        evidence = np.zeros(len(EVIDENCE))
        evidence[EVIDENCE.index("block_share")] = plain[k] if plain else 1.0
        marks.append(
            Mark(x=10 + f * RADIUS, y=20.0, radius_px=f * RADIUS, fraction=f, evidence=array("d", evidence), arc=())
        )
    return BoneReading(
        scan="a.png", number=1, outline=(), lighting="reflected", dpi=600.0, axis=None, marks=tuple(marks)
    )


def test_each_annulus_is_given_to_the_candidate_that_lies_on_it() -> None:
    labels = labels_of(reading((0.1, 0.301, 0.4, 0.499, 0.65, 0.752)), truth())
    assert labels.tolist() == [-1, 0, -1, 1, 2, 3]


@pytest.mark.parametrize("moved", [lambda f: f + 0.02, lambda f: 0.975 * f, lambda f: 1.02 * f - 0.01])
def test_a_focus_a_little_off_turns_no_true_mark_into_a_false_one(moved) -> None:
    close = (0.3, 0.34, 0.37, 0.40, 0.43, 0.46)  # increments of twelve pixels: a shift by eight would break them
    labels = labels_of(reading(tuple(moved(f) for f in close)), truth(close))
    assert labels.tolist() == [0, 1, 2, 3, 4, 5]


def test_a_plain_line_wins_over_texture_beside_it() -> None:
    labels = labels_of(reading((0.3, 0.495, 0.52, 0.65, 0.75), (1, 1, 0.1, 1, 1)), truth())
    assert labels.tolist() == [0, 1, -1, 2, 3]


def test_no_annulus_is_given_twice_and_a_bone_without_any_gives_none() -> None:
    labels = labels_of(reading((0.29, 0.3, 0.31)), truth())
    assert sorted(labels.tolist()) == [-1, -1, 0]
    assert labels_of(reading((0.2, 0.4)), truth(())).tolist() == [-1, -1]


def test_a_first_annulus_that_nothing_shows_is_not_to_be_seen() -> None:
    known = truth(visibility=(0.02, 0.8, 0.8, 0.8))
    target = target_of(labels_of(reading(TRUE), known), known)
    assert (target.seen, target.path) == (3, (1, 2, 3))


def test_of_a_first_annulus_that_half_shows_nothing_is_learned() -> None:
    known = truth(visibility=(0.2, 0.8, 0.8, 0.8))
    assert target_of(labels_of(reading(TRUE), known), known).seen is None


def test_a_last_annulus_at_the_very_margin_is_not_to_be_seen() -> None:
    known = truth((0.3, 0.6, 0.999))  # 0.4 px inside
    target = target_of(labels_of(reading((0.3, 0.6, 0.999)), known), known)
    assert (target.seen, target.path) == (2, (0, 1))


def test_where_an_annulus_is_no_candidate_its_count_alone_is_learned() -> None:
    known = truth()
    target = target_of(labels_of(reading((0.3, 0.65, 0.75)), known), known)
    assert (target.seen, target.path) == (4, None)

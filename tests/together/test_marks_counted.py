"""The marks told of a bone are its count, written out: each annulus once, in order, the unseen ones where they lie."""

from __future__ import annotations

from array import array

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading import SETTINGS, read_natural

from pipeline.bone.marks import EVIDENCE
from pipeline.counting.chains import Bone
from pipeline.counting.count import Count
from pipeline.counting.decode import Decoded
from pipeline.records import Axis, BoneReading, Mark
from pipeline.together.marks_counted import LEAST_REJECTED, counted_marks, hidden_first_px, split_or_check

AXIS = Axis(focus=(100.0, 50.0), tip=(400.0, 450.0), certainty=0.9)  # 500 pixels, along (0.6, 0.8)
steady = settings(deadline=None, derandomize=True)
PLAIN = SETTINGS.species_of("")


def case(
    fractions: list[float],
    taken: tuple[int, ...],
    *,
    hidden: bool = False,
    late: bool = False,
    depths: list[float] | None = None,
    probability: list[float] | None = None,
    first_share: float = float("nan"),
) -> tuple[BoneReading, Bone, Count]:
    """A bone with candidates at shares of `AXIS`, some of them taken."""
    evidence = np.zeros((len(fractions), len(EVIDENCE)))
    evidence[:, EVIDENCE.index("log_depth")] = np.log(depths or [0.2] * len(fractions))
    marks = tuple(
        Mark(x=100 + 300 * f, y=50 + 400 * f, radius_px=500 * f, fraction=f, evidence=array("d", e), arc=())
        for f, e in zip(fractions, evidence, strict=True)
    )
    reading = BoneReading(scan="a.png", number=1, outline=(), lighting="reflected", dpi=600.0, axis=AXIS, marks=marks)
    bone = Bone(
        evidence=evidence,
        fraction=np.array(fractions),
        radius_px=500.0,
        base=0.0,
        margin_levels=(0.0,) * 4,
        hollows=(0.0,) * 4,
        first_length_share=first_share,
        captured=None,
        growth=PLAIN.growth,
        season=PLAIN.season_of(""),
    )
    own = np.array(probability if probability is not None else [0.9 if k in taken else 0.1 for k in range(len(marks))])
    n = len(taken) + hidden + late
    count = Count(
        probability=np.eye(n + 2)[n],
        mark_probability=own,
        path=Decoded(taken, hidden, late),
        hidden_first=0.8 if hidden else 0.05,
        late=0.7 if late else 0.05,
    )
    return reading, bone, count


@st.composite
def cases(draw: st.DrawFn) -> tuple[BoneReading, Bone, Count]:
    fractions = sorted(draw(st.sets(st.integers(8, 97), max_size=12)))
    taken = tuple(k for k in range(len(fractions)) if draw(st.booleans()))
    probability = [draw(st.floats(0, 1)) for _ in fractions]
    return case(
        [f / 100 for f in fractions],
        taken,
        hidden=bool(taken) and draw(st.booleans()),
        late=draw(st.booleans()),
        probability=probability,
        first_share=draw(st.sampled_from([float("nan"), 0.1, 0.3, 0.6])),
    )


@given(cases())
@steady
def test_counted_marks_are_numbered_from_the_focus_outward_and_are_the_count(
    told: tuple[BoneReading, Bone, Count],
) -> None:
    reading, bone, count = told
    marks = counted_marks(reading, bone, count)
    counted = [m for m in marks if m.counted]
    assert [m.number for m in counted] == list(range(1, len(counted) + 1))
    assert len(counted) == len(count.path.taken) + count.path.hidden_first + count.path.late
    assert all(m.number is None for m in marks if not m.counted)
    radii = [m.radius_px for m in marks]
    assert radii == sorted(radii)
    assert sum(m.inferred for m in marks) == count.path.hidden_first + count.path.late
    assert all(m.counted for m in marks if m.inferred)


@given(cases())
@steady
def test_every_mark_lies_on_the_growth_axis_at_its_radius(told: tuple[BoneReading, Bone, Count]) -> None:
    for m in counted_marks(*told):
        assert 0 < m.fraction < 1
        assert (m.x, m.y) == pytest.approx((100 + 0.6 * m.radius_px, 50 + 0.8 * m.radius_px))
        assert m.radius_px == pytest.approx(500 * m.fraction)


@given(cases())
@steady
def test_rejected_marks_are_told_when_they_are_worth_a_look(told: tuple[BoneReading, Bone, Count]) -> None:
    reading, bone, count = told
    rejected = [m.fraction for m in counted_marks(reading, bone, count) if not m.counted]
    worth = [
        m.fraction
        for k, m in enumerate(reading.marks)
        if k not in count.path.taken and count.mark_probability[k] >= LEAST_REJECTED
    ]
    assert rejected == worth


def test_an_annulus_at_the_margin_that_nothing_shows_lies_just_inside_it() -> None:
    marks = counted_marks(*case([0.5, 0.8], (0, 1), late=True))
    assert [m.inferred for m in marks] == [False, False, True]
    assert 495 < marks[-1].radius_px < 500
    assert marks[-1].probability == 0.7


@pytest.mark.parametrize(("share", "place"), [(0.25, 0.25), (float("nan"), 0.275), (0.9, 0.275), (0.05, 0.275)])
def test_a_hidden_first_annulus_lies_where_the_fish_length_says_or_halfway(share: float, place: float) -> None:
    # A length that puts it beyond the second annulus, or next to the focus, is not believed.
    reading, bone, count = case([0.5, 0.8], (0, 1), hidden=True, first_share=share)
    marks = counted_marks(reading, bone, count)
    assert (marks[0].number, marks[0].inferred) == (1, True)
    assert marks[0].fraction == pytest.approx(place)
    assert hidden_first_px(reading, bone, marks) == marks[0].radius_px


def test_a_doubtful_first_annulus_is_expected_inside_the_first_mark_counted() -> None:
    reading, bone, count = case([0.5, 0.8], (0, 1), first_share=0.3)
    marks = counted_marks(reading, bone, count)
    assert hidden_first_px(reading, bone, marks) == pytest.approx(150)


def test_a_plain_mark_left_out_is_a_check_and_one_beside_an_annulus_its_other_line() -> None:
    depths = [0.2, 0.2, 0.2]
    assert split_or_check(*case([0.3, 0.45, 0.6], (0, 2), depths=depths)[1:]) == (True, False)
    assert split_or_check(*case([0.3, 0.57, 0.6], (0, 2), depths=depths)[1:]) == (False, True)
    assert split_or_check(*case([0.3, 0.45, 0.6], (0, 2), depths=[0.2, 0.02, 0.2])[1:]) == (False, False)
    assert split_or_check(*case([0.3, 0.6], (0, 1))[1:]) == (False, False)
    assert split_or_check(*case([0.3], ())[1:]) == (False, False)


@pytest.mark.parametrize("annuli", range(6))
def test_the_marks_of_a_drawn_bone_are_as_many_as_its_count(annuli: int) -> None:
    _, read = read_natural(annuli, "notched")
    assert len([m for m in read.age.marks if m.counted]) == read.age.annuli == annuli

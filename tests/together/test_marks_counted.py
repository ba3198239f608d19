"""The marks of a bone are its count, written out: each annulus once, in order, an unseen first one where it would
lie."""

from __future__ import annotations

from array import array

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reading import read_natural

from pipeline.bone.evidence import EVIDENCE
from pipeline.counting.chains import ChainBone
from pipeline.counting.count import Count
from pipeline.records import Axis, BoneReading, Mark, Specimen
from pipeline.together.counted import CountedBone
from pipeline.together.judge import JudgedBone
from pipeline.together.marks_counted import LEAST_REJECTED, counted_marks, first_suspected_px, split_or_check
from pipeline.together.unseen import Unseen

AXIS = Axis(focus=(100.0, 50.0), tip=(400.0, 450.0), certainty=0.9)  # 500 pixels, along (0.6, 0.8)
steady = settings(deadline=None, derandomize=True)


def case(
    fractions: list[float],
    taken: tuple[int, ...],
    *,
    hidden: bool = False,
    depths: list[float] | None = None,
    probability: list[float] | None = None,
    expected: float | None = None,
) -> JudgedBone:
    """A bone with candidates at shares of `AXIS`, some of them taken."""
    evidence = np.zeros((len(fractions), len(EVIDENCE)))
    evidence[:, EVIDENCE.index("log_depth")] = np.log(depths or [0.2] * len(fractions))
    marks = tuple(
        Mark(x=100 + 300 * f, y=50 + 400 * f, radius_px=500 * f, fraction=f, evidence=array("d", e), arc=())
        for f, e in zip(fractions, evidence, strict=True)
    )
    reading = BoneReading(scan="a.png", number=1, outline=(), lighting="reflected", dpi=600.0, axis=AXIS, marks=marks)
    own = np.array(probability if probability is not None else [0.9 if k in taken else 0.1 for k in range(len(marks))])
    count = Count(probability=np.eye(len(taken) + 2)[len(taken)], mark_probability=own, taken=taken)
    bone = ChainBone(evidence=evidence, fraction=np.array(fractions), radius_px=500.0, most_annuli=30)
    return JudgedBone(
        counted=CountedBone(Specimen(specimen="a", scan="a.png"), reading, bone, count),
        unseen=Unseen(first=0.8 if hidden else 0.05, first_counted=hidden, last=0.05),
        first_expected=expected,
        strangeness=1.0,
        log_odds=2.0,
        probability=np.eye(31)[len(taken) + hidden],
    )


@st.composite
def cases(draw: st.DrawFn) -> JudgedBone:
    fractions = sorted(draw(st.sets(st.integers(8, 97), max_size=12)))
    taken = tuple(k for k in range(len(fractions)) if draw(st.booleans()))
    probability = [draw(st.floats(0, 1)) for _ in fractions]
    return case(
        [f / 100 for f in fractions],
        taken,
        hidden=bool(taken) and draw(st.booleans()),
        probability=probability,
        expected=draw(st.sampled_from([None, 0.1, 0.3, 0.6])),
    )


@given(cases())
@steady
def test_counted_marks_are_numbered_from_the_focus_outward_and_are_the_count(j: JudgedBone) -> None:
    marks = counted_marks(j)
    counted = [m for m in marks if m.counted]
    assert [m.number for m in counted] == list(range(1, len(counted) + 1))
    assert len(counted) == j.annuli
    assert all(m.number is None for m in marks if not m.counted)
    radii = [m.radius_px for m in marks]
    assert radii == sorted(radii)
    assert sum(m.inferred for m in marks) == j.unseen.first_counted
    assert all(m.counted for m in marks if m.inferred)


@given(cases())
@steady
def test_every_mark_lies_on_the_growth_axis_at_its_radius(j: JudgedBone) -> None:
    for m in counted_marks(j):
        assert 0 < m.fraction < 1
        assert (m.x, m.y) == pytest.approx((100 + 0.6 * m.radius_px, 50 + 0.8 * m.radius_px))
        assert m.radius_px == pytest.approx(500 * m.fraction)


@given(cases())
@steady
def test_rejected_marks_are_shown_when_they_are_worth_a_look(j: JudgedBone) -> None:
    rejected = [m.fraction for m in counted_marks(j) if not m.counted]
    count = j.counted.count
    worth = [
        m.fraction
        for k, m in enumerate(j.counted.reading.marks)
        if k not in count.taken and count.mark_probability[k] >= LEAST_REJECTED
    ]
    assert rejected == worth


@pytest.mark.parametrize(("share", "place"), [(0.25, 0.25), (None, 0.275), (0.9, 0.275), (0.05, 0.275)])
def test_a_hidden_first_annulus_lies_where_the_run_says_or_halfway(share: float | None, place: float) -> None:
    # A place beyond the first mark counted, or next to the focus, is not believed.
    j = case([0.5, 0.8], (0, 1), hidden=True, expected=share)
    marks = counted_marks(j)
    assert (marks[0].number, marks[0].inferred) == (1, True)
    assert marks[0].fraction == pytest.approx(place)
    assert first_suspected_px(j, marks) == marks[0].radius_px


def test_a_doubtful_first_annulus_is_expected_inside_the_first_mark_counted() -> None:
    j = case([0.5, 0.8], (0, 1), expected=0.3)
    assert first_suspected_px(j, counted_marks(j)) == pytest.approx(150)


def test_a_plain_mark_left_out_is_a_check_and_one_beside_an_annulus_its_other_line() -> None:
    depths = [0.2, 0.2, 0.2]
    assert split_or_check(case([0.3, 0.45, 0.6], (0, 2), depths=depths).counted) == (True, False)
    assert split_or_check(case([0.3, 0.57, 0.6], (0, 2), depths=depths).counted) == (False, True)
    assert split_or_check(case([0.3, 0.45, 0.6], (0, 2), depths=[0.2, 0.02, 0.2]).counted) == (False, False)
    assert split_or_check(case([0.3, 0.6], (0, 1)).counted) == (False, False)
    assert split_or_check(case([0.3], ()).counted) == (False, False)


@pytest.mark.parametrize("annuli", range(6))
def test_the_marks_of_a_drawn_bone_are_as_many_as_its_count(annuli: int) -> None:
    _, read = read_natural(annuli, "notched")
    assert len([m for m in read.age.marks if m.counted]) == read.age.annuli == annuli

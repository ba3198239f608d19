"""What the triage did: promise against finding."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.audit.triage_check import check_triage

NAN = float("nan")


def test_kept_and_reviewed_bones_are_told_apart():
    check = check_triage(
        confidence=np.array([0.9, 0.9, 0.9, 0.5, 0.5]),
        review=np.array([False, False, False, True, True]),
        machine=np.array([3.0, 4, 5, 6, 7]),
        reference=np.array([3.0, 5, NAN, 6, 8]),
    )
    kept, review = check.parts
    assert (kept.bones, kept.read, kept.wrong.value) == (3, 2, 0.5)
    assert kept.promised == pytest.approx(0.1)
    assert kept.gap.value == pytest.approx(0.4)
    assert (review.bones, review.read, review.wrong.value) == (2, 2, 0.5)


def test_a_calibrated_machine_keeps_its_promise_in_every_bin():
    rng = np.random.default_rng(7)
    confidence = rng.uniform(0.5, 1, 4000)
    wrong = rng.random(4000) > confidence
    check = check_triage(confidence, confidence < 0.7, np.where(wrong, 1.0, 0.0), np.zeros(4000))
    assert len(check.bins) == 10
    assert sum(b.n for b in check.bins) == 4000
    assert sum(b.right.low <= b.confidence <= b.right.high for b in check.bins) >= 9  # one in twenty misses by chance
    assert not any(part.gap.excludes(0) for part in check.parts)


def test_bones_read_because_they_were_flagged_do_not_raise_the_error_of_all():
    # 1000 unflagged bones, 2 % wrong, one in ten read; 100 flagged, 50 % wrong, all read; all equally confident.
    flagged = np.arange(1100) < 100
    wrong = np.where(flagged, np.arange(1100) % 2 == 0, np.arange(1100) % 50 == 0)
    read = flagged | (np.arange(1100) % 10 == 0)
    check = check_triage(np.full(1100, 0.9), flagged, wrong.astype(float), np.where(read, 0.0, NAN))
    at = next(t for t in check.thresholds if t.confidence == 0.5)
    assert (at.kept, at.read) == (1100, 200)
    among_read = wrong[read & ~flagged].mean()
    assert at.wrong.value == pytest.approx((100 * 0.5 + 1000 * among_read) / 1100)


def test_a_hundred_kept_bones_without_error_do_not_prove_a_promise_of_two_in_a_hundred():
    check = check_triage(np.full(100, 0.98), np.zeros(100, bool), np.full(100, 3.0), np.full(100, 3.0))
    assert not check.parts[0].gap.excludes(0)


def test_a_higher_threshold_keeps_fewer_bones():
    rng = np.random.default_rng(2)
    confidence = rng.uniform(0.3, 1, 300)
    kept = [t.kept for t in check_triage(confidence, confidence < 0.6, np.zeros(300), np.zeros(300)).thresholds]
    assert kept == sorted(kept, reverse=True)


def test_bones_that_nobody_read_leave_the_error_unknown():
    check = check_triage(np.array([0.9, 0.8]), np.array([False, False]), np.array([3.0, 4.0]), np.array([NAN, NAN]))
    assert check.parts[0].wrong.value is None
    assert check.bins == ()

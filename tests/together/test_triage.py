"""The queue removes the most expected error first, keeps no bone that something but its confidence sends to a person,
and hides which of its bones are read as a check."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.settings.files import read_settings
from pipeline.together.triage import QueuedBone, is_drawn, number_wrong, triage

REVIEW = read_settings().review
UNREADABLE = {"confidence": None, "reasons": ("missing-bone",)}


def bones(*confidences: float | None, name: str = "W") -> list[QueuedBone]:
    return [QueuedBone(specimen=f"{name}{n}", confidence=c) for n, c in enumerate(confidences)]


def many(n: int, seed: int = 1) -> list[QueuedBone]:
    """A run: every tenth bone with a hard reason, every fiftieth without a count."""
    rng = np.random.default_rng(seed)
    out = []
    for k in range(n):
        c = round(float(1 - rng.beta(0.4, 4)), 4)
        reasons = ("damaged",) if k % 10 == 3 else ("low-confidence",) if c < 0.85 else ()
        out.append(QueuedBone(specimen=f"P{k:05d}", confidence=None if k % 50 == 7 else c, reasons=reasons))
    return out


def chosen(found) -> list[QueuedBone]:
    """The queue without the bones that are in it as a check."""
    return [q.bone for q in found.queue if not q.blind]


def confidences():
    whole = st.integers(0, 10_000).map(lambda k: k / 10_000)
    kind = st.sampled_from([(), ("low-confidence",), ("damaged",), ("first-year", "low-confidence"), None])
    return st.lists(st.tuples(whole, kind), min_size=1, max_size=60).map(
        lambda pairs: [
            QueuedBone(
                specimen=f"Y{n}", confidence=None if k is None else c, reasons=("no-reading",) if k is None else k
            )
            for n, (c, k) in enumerate(pairs)
        ]
    )


def test_bones_without_a_count_come_first_then_hard_reasons_then_the_least_sure():
    run = [
        QueuedBone(specimen="sure", confidence=0.99),
        QueuedBone(specimen="unsure", confidence=0.3, reasons=("low-confidence",)),
        QueuedBone(specimen="swapped", confidence=0.97, reasons=("size-mismatch",)),
        QueuedBone(specimen="broken", confidence=0.6, reasons=("low-confidence", "damaged")),
        QueuedBone(specimen="gone", **UNREADABLE),
    ]
    found = triage(run, REVIEW, max_error=0, most=None)
    assert [b.specimen for b in chosen(found)] == ["gone", "broken", "swapped", "unsure", "sure"]


@given(confidences(), st.floats(0, 1))
def test_the_limit_on_the_error_holds_and_a_shorter_queue_would_break_it(run, limit):
    found = triage(run, REVIEW, max_error=limit, most=None)
    queued = chosen(found)
    kept = [b for b in run if b not in queued]
    assert not any(b.hard for b in kept)
    error = sum(1 - b.confidence for b in kept)
    assert error <= limit * len(kept) + 1e-6
    soft = [b for b in queued if not b.hard]
    if soft:
        last = soft[-1]
        assert all(b.confidence >= last.confidence for b in kept)
        assert error + 1 - last.confidence > limit * (len(kept) + 1)


@given(confidences(), st.integers(0, 70), st.floats(0, 1))
def test_with_two_limits_the_shorter_queue_is_made(run, most, limit):
    by_error, by_number, by_both = (
        chosen(triage(run, REVIEW, max_error=e, most=m)) for e, m in ((limit, None), (None, most), (limit, most))
    )
    assert len(by_number) == min(most, len(run))
    assert by_both == min(by_error, by_number, key=len)


def test_without_a_limit_the_settings_say_which_error_is_accepted():
    run = many(500)
    assert triage(run, REVIEW, max_error=None, most=None) == triage(
        run, REVIEW, max_error=REVIEW.accepted_error, most=None
    )


def test_every_bone_is_kept_or_to_read_or_read_already():
    run = [QueuedBone(specimen=b.specimen, confidence=b.confidence, reasons=b.reasons, read=k % 7 == 0)
           for k, b in enumerate(many(300))]  # fmt: skip
    found = triage(run, REVIEW, max_error=0.02, most=None)
    assert found.kept + found.to_read + found.already_read == len(run)
    assert found.to_read == len(chosen(found))
    assert not any(q.bone.read for q in found.queue)


def test_an_empty_run_part_has_no_error_to_tell():
    found = triage(bones(0.5, 0.5), REVIEW, max_error=0.0, most=None)
    assert found.kept == 0
    assert found.wrong_kept is None
    assert triage([QueuedBone(specimen="x", **UNREADABLE)], REVIEW, max_error=0.02, most=None).wrong_to_read is None


# ------------------------------------------------------------------------------------------------ expected error
@given(st.lists(st.floats(0, 1), min_size=0, max_size=8))
def test_the_number_wrong_has_the_probabilities_of_every_way_it_can_come_about(errors):
    """By enumeration: the definition of the Poisson binomial distribution."""
    wanted = np.zeros(len(errors) + 1)
    for ways in product((0, 1), repeat=len(errors)):
        wanted[sum(ways)] += np.prod([p if w else 1 - p for p, w in zip(errors, ways, strict=True)])
    assert number_wrong(np.array(errors)) == pytest.approx(wanted, abs=1e-12)


def test_the_interval_holds_the_share_that_turns_out_wrong_as_often_as_it_says():
    found = triage(many(400), REVIEW, max_error=0.05, most=None)
    kept = np.array([b.confidence for b in many(400) if b not in chosen(found)])
    wrong = (np.random.default_rng(3).random((4000, len(kept))) > kept).mean(axis=1)
    inside = (wrong >= found.wrong_kept.low) & (wrong <= found.wrong_kept.high)
    assert 0.95 <= inside.mean() < 0.99
    assert found.wrong_kept.share == pytest.approx((1 - kept).mean())


# ------------------------------------------------------------------------------------------------ the blind check
def test_a_share_of_the_kept_is_drawn_and_it_is_outside_the_shares():
    run = many(4000)
    found = triage(run, REVIEW, max_error=0.02, most=None)
    without = triage(run, REVIEW.model_copy(update={"blind_share": 0.0}), max_error=0.02, most=None)
    drawn = [q for q in found.queue if q.blind]
    # Six standard deviations of a binomial share.
    assert abs(len(drawn) - 0.05 * found.kept) < 6 * np.sqrt(0.05 * found.kept)
    assert [q for q in found.queue if not q.blind] == list(without.queue)
    assert (found.kept, found.wrong_kept) == (without.kept, without.wrong_kept)


def test_a_bone_that_is_kept_is_drawn_or_not_whatever_other_bones_there_are():
    few, all_of_them = many(2000)[::2], many(2000)
    drawn_few, drawn_all = (
        {q.bone.specimen for q in triage(run, REVIEW, max_error=None, most=0).queue} for run in (few, all_of_them)
    )
    assert drawn_few == drawn_all & {b.specimen for b in few}
    assert drawn_few


def test_the_draw_knows_nothing_of_the_confidence_and_another_salt_draws_others():
    run = [b for b in many(6000) if not b.hard]
    drawn = np.array([is_drawn(b.specimen, REVIEW) for b in run])
    confidence = np.array([b.confidence for b in run])
    spread = confidence.std() / np.sqrt(drawn.sum())
    assert abs(confidence[drawn].mean() - confidence.mean()) < 4 * spread
    other = REVIEW.model_copy(update={"blind_salt": "another"})
    assert drawn.tolist() != [is_drawn(b.specimen, other) for b in run]


def test_the_drawn_bones_stand_among_those_that_look_like_them():
    found = triage(many(4000), REVIEW, max_error=0.02, most=None)
    told = [q.bone.hard for q in found.queue]
    assert told == sorted(told, reverse=True), "first those whose reasons are told, then those whose are not"
    blind = np.array([q.blind for q in found.queue if not q.bone.hard])
    assert not any(q.blind for q in found.queue if q.bone.hard)
    thirds = [part.sum() for part in np.array_split(blind, 3)]
    assert min(thirds) > 0.5 * max(thirds), "spread over the whole part"


def test_a_bone_with_a_hard_reason_is_no_check_on_the_others():
    found = triage(many(2000), REVIEW, max_error=None, most=5)
    assert found.hard_kept > 0
    assert not any(q.bone.hard for q in found.queue if q.blind)

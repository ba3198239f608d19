"""A winter zone is a ridge of opacity loss; what counts is its outer edge."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reading import SETTINGS, natural_bone, readings
from scipy.special import expit

from pipeline.bone.evidence import EVIDENCE, ridge_evidence, rim_rise
from pipeline.bone.radial_profile import radial_profile
from pipeline.bone.ridges import INNERMOST, find_ridges
from pipeline.bone.rim import STEPS_PX
from pipeline.bone.traced_arcs import Arcs, traced
from pipeline.records import RadialProfile, Strip

BARE = np.zeros(len(STEPS_PX), np.float32)  # a margin without a bevel
SAMPLES, RAYS, SPP = 520, 169, 1.3
MARGIN = 500.0
AT = np.arange(SAMPLES)
EDGE_SOFT = 1.0  # samples; blur of a sharp scan


def unmoved(many: int) -> tuple[Arcs, np.ndarray]:
    """Marks that follow the margin from ray to ray, with opaque bone beyond."""
    return Arcs(roughness_px=np.zeros(many), bend=np.zeros(many), lean=np.zeros(many)), np.ones(many)


def winter(edge: float, width: float, depth: float = 0.3) -> NDArray[np.float64]:
    """Opacity loss of one zone: rises evenly over its width and falls sharply at its outer edge."""
    inside = expit((edge - AT) / (0.5 * EDGE_SOFT))
    return np.asarray(depth * np.clip((AT - edge + width) / width, 0, 1) * inside)


def profile_of(value: NDArray[np.floating], noise: float = 0.004, seed: int = 0) -> RadialProfile:
    """The profile of a strip whose rays all show `value`, with noise of its own on each ray."""
    rays = value + np.random.default_rng(seed).normal(0, noise * np.sqrt(RAYS), (RAYS, SAMPLES))
    strip = Strip(
        value=np.asarray(rays, np.float32),
        trust=np.broadcast_to(np.float32(1) * (MARGIN >= AT), rays.shape).astype(np.float32),
        source_x=np.zeros(rays.shape, np.float32), source_y=np.zeros(rays.shape, np.float32),
        angle=np.linspace(-42, 42, RAYS, dtype=np.float32), samples_per_px=SPP, margin=MARGIN, base=0.0,
        rim=BARE,
    )  # fmt: skip
    return radial_profile(strip, SETTINGS.profile)


def nearest(found: NDArray[np.float64], edge: float) -> float:
    return float(np.abs(found - edge).min())


@given(edge=st.floats(80, 440), share=st.floats(0.02, 0.06))
@settings(max_examples=25, deadline=None, derandomize=True)
def test_the_outer_edge_of_a_zone_is_found_to_half_a_pixel(edge: float, share: float) -> None:
    ridges = find_ridges(profile_of(winter(edge, share * MARGIN)))
    assert nearest(ridges.edge, edge) < 0.5 * SPP
    strongest = ridges.edge[np.argmax(ridges.depth)]
    assert abs(strongest - edge) < 0.5 * SPP


@given(count=st.integers(1, 9))
@settings(max_examples=9, deadline=None, derandomize=True)
def test_every_zone_is_one_candidate_ordered_from_the_focus(count: int) -> None:
    edges = np.linspace(90, 440, count)
    value = sum(winter(e, 0.22 * 350 / max(count, 4)) for e in edges)
    ridges = find_ridges(profile_of(np.asarray(value)))
    strong = ridges.edge[ridges.depth > 0.5 * ridges.depth.max()]
    assert strong == pytest.approx(edges, abs=0.5 * SPP)
    assert (np.diff(ridges.edge) > 0).all()


def test_two_lines_nearer_than_their_width_are_one_mark_and_farther_are_two() -> None:
    for gap, many in ((1.5, 1), (25.0, 2)):
        value = np.maximum(winter(240, 14), winter(240 + gap, 14))
        ridges = find_ridges(profile_of(value))
        assert np.count_nonzero(ridges.depth > 0.5 * ridges.depth.max()) == many


@pytest.mark.parametrize("slope", [-0.6, 0.0, 0.6])
def test_a_bone_that_thins_evenly_has_no_mark(slope: float) -> None:
    ridges = find_ridges(profile_of(slope * AT / SAMPLES, noise=1e-5))
    inner = ridges.depth[ridges.edge < 0.9 * MARGIN]
    assert not len(inner) or inner.max() < 0.02


def test_a_step_of_brightness_is_a_weaker_mark_than_a_zone() -> None:
    # A rib or a stain ends once: opacity changes there, and does not return as it does behind a winter zone.
    step = 0.3 * expit((250 - AT) / 0.5)
    zone = winter(250, 16)

    def strongest(value: NDArray[np.float64]) -> float:
        found = find_ridges(profile_of(value))
        return float(found.depth[np.abs(found.edge - 250) < 20].max(initial=0.0))

    assert strongest(step) < 0.6 * strongest(zone)


def test_a_deeper_zone_has_more_depth_and_more_certainty() -> None:
    depths, certainties = [], []
    for depth in (0.05, 0.1, 0.2, 0.4):
        profile = profile_of(winter(250, 16, depth))
        ridges = find_ridges(profile)
        k = int(np.argmin(np.abs(ridges.edge - 250)))
        evidence = dict(
            zip(EVIDENCE, ridge_evidence(profile, BARE, ridges, *unmoved(len(ridges.edge)))[k], strict=True)
        )
        depths.append(evidence["log_depth"])
        certainties.append(evidence["log_t"])
    assert depths == sorted(depths)
    assert certainties == sorted(certainties)
    assert np.exp(depths[-1] - depths[0]) == pytest.approx(8, rel=0.2)


def test_a_mark_on_a_few_rays_only_is_told_from_one_across_the_bone() -> None:
    def evidence(rays: slice) -> dict[str, float]:
        value = np.random.default_rng(1).normal(0, 0.03, (RAYS, SAMPLES))
        value[rays] += winter(250, 16)
        strip = Strip(
            value=np.asarray(value, np.float32), trust=np.ones((RAYS, SAMPLES), np.float32),
            source_x=np.zeros((RAYS, SAMPLES), np.float32), source_y=np.zeros((RAYS, SAMPLES), np.float32),
            angle=np.linspace(-42, 42, RAYS, dtype=np.float32), samples_per_px=SPP, margin=MARGIN, base=0.0,
            rim=BARE,
        )  # fmt: skip
        profile = radial_profile(strip, SETTINGS.profile)
        ridges = find_ridges(profile)
        k = int(np.argmin(np.abs(ridges.edge - 250)))
        return dict(zip(EVIDENCE, ridge_evidence(profile, BARE, ridges, *unmoved(len(ridges.edge)))[k], strict=True))

    part, whole = evidence(slice(70, 100)), evidence(slice(None))
    assert part["block_share"] < 0.5 < whole["block_share"]
    assert part["arc_run"] < 0.5 < whole["arc_run"]
    assert part["log_t"] < whole["log_t"]


def test_evidence_has_a_number_for_every_name() -> None:
    profile = profile_of(winter(120, 10) + winter(300, 12))
    ridges = find_ridges(profile)
    evidence = ridge_evidence(profile, BARE, ridges, *unmoved(len(ridges.edge)))
    assert evidence.shape == (len(ridges.edge), len(EVIDENCE))
    assert np.isfinite(evidence).all()


def test_a_winter_is_as_deep_at_either_resolution() -> None:
    def deepest(dpi: float) -> list[float]:
        (reading,) = readings(natural_bone(3, dpi=dpi, noise=0.002).picture, dpi)
        return sorted(m.evidence[EVIDENCE.index("log_depth")] for m in reading.marks)[-3:]

    assert deepest(250.0) == pytest.approx(deepest(500.0), abs=0.3)


# ------------------------------------------------------------------------------------------------ the margin
def test_a_winter_zone_under_way_at_the_margin_shows_as_a_rise() -> None:
    summer = profile_of(winter(300, 16))
    under_way = profile_of(winter(300, 16) + np.where(AT > 460, 0.25 * np.clip((AT - 460) / 30, 0, 1), 0))
    at = np.array([300.0])
    assert rim_rise(under_way, at)[0] > rim_rise(summer, at)[0] + 0.1


def test_a_mark_at_the_very_margin_needs_no_outer_flank() -> None:
    value = winter(300, 16) + winter(MARGIN - 5, 14)
    ridges = find_ridges(profile_of(np.asarray(value)))
    assert nearest(ridges.edge, MARGIN - 5) < 2 * SPP


def test_nothing_is_found_under_the_socket_or_beyond_the_margin() -> None:
    value = winter(10, 8) + winter(300, 16)
    profile = profile_of(np.asarray(value))
    ridges = find_ridges(profile)
    assert ridges.middle.min() > INNERMOST * profile.margin > 10
    assert ridges.edge.max() <= profile.margin


# ------------------------------------------------------------------------------------------------ arcs
DEGREES = np.arange(-40, 41, 4).astype(np.float32)
ROUND_MARGIN = np.full(len(DEGREES), 400.0)


def arcs_of(radius: np.ndarray) -> Arcs:
    return traced(radius[:, None], np.ones((len(DEGREES), 1), bool), ROUND_MARGIN, DEGREES)


def test_a_ring_about_the_focus_neither_bends_nor_leans_nor_jumps() -> None:
    arcs = arcs_of(np.full(len(DEGREES), 200.0))
    assert (arcs.bend[0], arcs.lean[0], arcs.roughness_px[0]) == pytest.approx((0, 0, 0))


def test_the_near_side_of_a_ring_that_lies_elsewhere_bends_away_from_the_focus() -> None:
    # A straight line 100 px off is 100 / cos(angle) away; a ring's near side bends away still more.
    assert arcs_of(100 / np.cos(np.deg2rad(DEGREES))).bend[0] == pytest.approx(
        -np.log(np.cos(np.deg2rad(28))), abs=0.03
    )


def test_a_line_that_jumps_from_ray_to_ray_is_rough_by_as_much() -> None:
    jumps = np.random.default_rng(0).normal(0, 2.0, (len(DEGREES), 400))
    arcs = traced(200 + jumps, np.ones_like(jumps, dtype=bool), ROUND_MARGIN, DEGREES)
    assert np.median(arcs.roughness_px) == pytest.approx(2.0, rel=0.15)


def test_a_mark_without_bone_under_it_shows_no_arc() -> None:
    arcs = traced(np.full((len(DEGREES), 1), 200.0), np.zeros((len(DEGREES), 1), bool), ROUND_MARGIN, DEGREES)
    assert np.isfinite([arcs.bend[0], arcs.lean[0], arcs.roughness_px[0]]).all()

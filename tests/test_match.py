"""Cam edges built in closed form, and where the match says that each cycle and each cam stands."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cam_signals import FOUR_EDGES, PITCH_DEG, drawn_pattern, edge_angles, edges_on, even_clock, pattern_of
from tightside.records import CamPattern
from tightside.timing.match import choose_place, match_segment
from tightside.timing.offset import measure_cams

EXACT_DEG = 1e-6


def measured(clock, pattern, angle_deg, **more):
    return measure_cams((edges_on(clock, pattern, angle_deg, **more),), (pattern,), clock)[0]


# -------------------------------------------------------------------------------------------- how far off the cam is


@pytest.mark.parametrize("count", range(1, 9))
@pytest.mark.parametrize("teeth", range(-4, 5))
def test_offset_of_whole_teeth_is_found_exactly_for_any_number_of_edges(teeth, count):
    pattern = drawn_pattern(np.random.default_rng([count, 11]), count)
    clock = even_clock(12)
    found = measured(clock, pattern, edge_angles(pattern, np.full(12, teeth * PITCH_DEG)))
    assert found.cycles >= 10
    assert found.offset_deg == pytest.approx(teeth * PITCH_DEG, abs=EXACT_DEG)
    assert found.edge_offset_deg == pytest.approx(teeth * PITCH_DEG, abs=EXACT_DEG)
    assert not found.inverted
    assert found.edges_per_cycle == count


@given(offset=st.floats(-75.0, 75.0), count=st.integers(2, 8), seed=st.integers(0, 999))
@settings(max_examples=60, deadline=None)
def test_offset_between_teeth_is_found_exactly(offset, count, seed):
    pattern = drawn_pattern(np.random.default_rng(seed), count)
    found = measured(even_clock(8), pattern, edge_angles(pattern, np.full(8, offset)))
    assert found.offset_deg == pytest.approx(offset, abs=EXACT_DEG)


def test_offset_that_wanders_is_followed_cycle_by_cycle():
    pattern = pattern_of()
    offset = 8.0 * np.sin(np.arange(40) / 5.0) + np.linspace(0.0, 20.0, 40)
    found = measured(even_clock(40), pattern, edge_angles(pattern, offset))
    cycle = np.round((found.times_s * 3600.0 - 360.0 - found.offset_deg) / 720.0).astype(int)
    assert len(cycle) >= 38
    assert found.offset_deg == pytest.approx(offset[cycle], abs=EXACT_DEG)


def test_offset_that_jumps_a_tooth_while_recorded_is_followed():
    pattern = pattern_of()
    offset = np.where(np.arange(30) < 15, 0.0, PITCH_DEG)
    found = measured(even_clock(30), pattern, edge_angles(pattern, offset))
    assert found.offset_deg[:14] == pytest.approx(0.0, abs=EXACT_DEG)
    assert found.offset_deg[-14:] == pytest.approx(PITCH_DEG, abs=EXACT_DEG)


@pytest.mark.parametrize("late_deg", [-3.0, 2.0])
def test_edge_on_the_seam_of_the_cycle_wraps(late_deg):
    pattern = pattern_of(edges_deg=(1.0, 200.0, 350.0, 719.0))
    found = measured(even_clock(10), pattern, edge_angles(pattern, np.full(10, late_deg)))
    assert found.offset_deg == pytest.approx(late_deg, abs=EXACT_DEG)
    assert found.edge_offset_deg == pytest.approx(late_deg, abs=EXACT_DEG)


# ---------------------------------------------------------------------------------------- edges lost, edges too many


@pytest.mark.parametrize("teeth", [-3, 0, 1])
def test_missing_edges_do_not_shift_the_cycle(teeth):
    rng = np.random.default_rng(5)
    pattern = pattern_of(edges_deg=(30.0, 95.0, 310.0, 420.0, 520.0, 655.0))
    fixed = np.array([1.2, -0.9, 0.4, -0.7, 0.6, -0.6])  # sums to zero
    angle = edge_angles(pattern, np.full(60, teeth * PITCH_DEG), fixed_deg=fixed)
    keep = rng.random(angle.shape) > 0.2
    found = measured(even_clock(60), pattern, angle, keep=keep)
    assert found.cycles >= 55
    assert np.ptp(found.offset_deg) < EXACT_DEG
    assert found.offset_deg[0] == pytest.approx(teeth * PITCH_DEG, abs=0.05)  # edges so uneven weigh not quite alike
    assert found.edge_offset_deg == pytest.approx(teeth * PITCH_DEG + fixed, abs=EXACT_DEG)


def test_edge_that_is_never_there_is_not_made_up():
    pattern = pattern_of(edges_deg=(30.0, 95.0, 310.0, 420.0, 520.0, 655.0))
    keep = np.ones((20, 6), dtype=bool)
    keep[:, 2] = False
    found = measured(even_clock(20), pattern, edge_angles(pattern, np.full(20, 5.0)), keep=keep)
    assert np.isnan(found.edge_offset_deg[2])
    assert found.edge_count[2] == 0
    assert found.offset_deg == pytest.approx(5.0, abs=EXACT_DEG)


def test_extra_edges_are_left_aside():
    rng = np.random.default_rng(6)
    pattern = pattern_of()
    angle = edge_angles(pattern, np.full(40, PITCH_DEG))
    # pulses of 3 deg, none within 10 deg of a real edge
    strays = [a for a in rng.uniform(0, 28000, 60) if np.abs(angle - a).min() > 13.0]
    extra = np.ravel([[a, a + 3.0] for a in strays])
    found = measured(even_clock(40), pattern, angle, extra_deg=extra)
    assert len(extra) > 60
    assert found.offset_deg == pytest.approx(PITCH_DEG, abs=EXACT_DEG)
    assert found.edges_total >= found.edges_seen + len(extra) - 4


def test_signal_that_drops_out_for_a_while_is_taken_up_again_at_its_place():
    pattern = pattern_of()
    keep = np.ones((40, 4), dtype=bool)
    keep[10:22] = False
    found = measured(even_clock(40), pattern, edge_angles(pattern, np.full(40, -PITCH_DEG)), keep=keep)
    assert found.cycles == pytest.approx(27, abs=2)
    assert found.offset_deg == pytest.approx(-PITCH_DEG, abs=EXACT_DEG)


# ------------------------------------------------------------------------------------- upside down, and which turn


@pytest.mark.parametrize("teeth", [-2, -1, 0, 1, 2])
def test_signal_upside_down_is_turned_over(teeth):
    pattern = pattern_of()
    found = measured(even_clock(12), pattern, edge_angles(pattern, np.full(12, teeth * PITCH_DEG)), upside_down=True)
    assert found.inverted
    assert found.offset_deg == pytest.approx(teeth * PITCH_DEG, abs=EXACT_DEG)


@pytest.mark.parametrize(
    ("repeat_deg", "place", "teeth"),
    [
        (r, k, t)
        for r in (360.0, 180.0, 120.0)
        for k in range(round(720 / r))
        for t in (-3, -1, 0, 2)
        if t * 18 > -r / 2
    ],
)
def test_place_of_a_wheel_that_repeats_is_told_by_the_cams(repeat_deg, place, teeth):
    clock = even_clock(14, repeat_deg=repeat_deg)
    cams = [pattern_of("1A"), pattern_of("1B", (110.0, 230.0, 295.0, 640.0))]
    offsets = (teeth * PITCH_DEG, 0.0)
    edges = [
        edges_on(clock, p, edge_angles(p, np.full(14, o)), place_deg=place * repeat_deg)
        for p, o in zip(cams, offsets, strict=True)
    ]
    found = measure_cams(tuple(edges), tuple(cams), clock)
    assert found[0].offset_deg == pytest.approx(offsets[0], abs=EXACT_DEG)
    assert found[1].offset_deg == pytest.approx(0.0, abs=EXACT_DEG)
    assert all(f.place_certain for f in found)


def test_place_that_two_turns_fit_alike_is_said_to_be_uncertain():
    clock = even_clock(10)
    pattern = pattern_of(edges_deg=(100.0, 160.0, 460.0, 520.0))  # looks the same a turn later
    edges = edges_on(clock, pattern, edge_angles(pattern, np.zeros(10)))
    place = choose_place([(edges, pattern)], [np.ones(len(edges.times_s), dtype=bool)], 360.0)
    assert not place.certain
    assert not measure_cams((edges,), (pattern,), clock)[0].place_certain


def test_segments_after_a_stop_are_each_placed_and_put_together():
    clock = even_clock(8, segments=3)
    pattern = pattern_of()
    found = measured(clock, pattern, edge_angles(pattern, np.full(8, PITCH_DEG)))
    assert found.cycles >= 3 * 7
    assert found.offset_deg == pytest.approx(PITCH_DEG, abs=EXACT_DEG)
    assert (np.diff(np.sort(found.times_s)) > 0.9).sum() == 2


def test_fewer_than_two_edges_match_nothing():
    clock = even_clock(4)
    pattern = pattern_of()
    keep = np.zeros((4, 4), dtype=bool)
    keep[1, 0] = True
    edges = edges_on(clock, pattern, edge_angles(pattern, np.zeros(4)), keep=keep)
    assert match_segment(edges, pattern, False, np.ones(1, dtype=bool), 0.0) is None
    assert measure_cams((edges,), (pattern,), clock)[0].cycles == 0


def test_edges_of_one_polarity_only_are_matched():
    pattern = CamPattern(cam="1A", edges_deg=np.array(FOUR_EDGES), rising=np.zeros(4, dtype=bool))
    found = measured(even_clock(10), pattern, edge_angles(pattern, np.full(10, -17.0)))
    assert found.offset_deg == pytest.approx(-17.0, abs=EXACT_DEG)

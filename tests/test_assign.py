"""Which recorded cam is which camshaft of the engine: by name, else by likeness, else left out."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest

from cam_signals import PITCH_DEG, drawn_pattern, edge_angles, edges_on, even_clock
from tightside.timing.assign import assign_cams

CYCLES = 12
CLOCK = even_clock(CYCLES)
COUNTS = {"1A": 4, "1B": 6, "2A": 8, "2B": 2}
PATTERNS = tuple(drawn_pattern(np.random.default_rng([k, 41]), n, cam) for k, (cam, n) in enumerate(COUNTS.items()))


def seen(pattern, teeth=0, name="", **more):
    """That cam's edges, under whatever name the recording gives; the column tells which it really is."""
    edges = edges_on(CLOCK, pattern, edge_angles(pattern, np.full(CYCLES, teeth * PITCH_DEG)), **more)
    return replace(edges, cam=name, column=pattern.cam)


def paired(edges, patterns=PATTERNS, clock=CLOCK):
    return [(e.column, p.cam) for e, p in assign_cams(tuple(edges), patterns, clock)]


def test_named_cams_keep_their_names_whatever_they_look_like():
    edges = [seen(PATTERNS[1], name="1A"), seen(PATTERNS[0], name="1B")]
    assert paired(edges) == [("1B", "1A"), ("1A", "1B")]


@pytest.mark.parametrize("order", list(permutations(range(4))), ids=str)
def test_unnamed_cams_are_told_by_their_edges_in_any_order(order):
    edges = [seen(PATTERNS[k], name=f"column {k}") for k in order]
    assert paired(edges) == [(p.cam, p.cam) for p in PATTERNS]


@pytest.mark.parametrize("teeth", [-2, -1, 1, 2])
def test_slip_does_not_hide_which_cam_it_is(teeth):
    edges = [seen(p, teeth if p.cam == "1B" else 0) for p in reversed(PATTERNS)]
    assert paired(edges) == [(p.cam, p.cam) for p in PATTERNS]


def test_signal_upside_down_is_told_too():
    assert paired([seen(PATTERNS[2], upside_down=True), seen(PATTERNS[0])], PATTERNS[:3]) == [
        ("1A", "1A"),
        ("2A", "2A"),
    ]


def test_named_cam_leaves_its_pattern_to_no_other():
    edges = [seen(PATTERNS[1]), seen(PATTERNS[0], name="1A")]
    assert paired(edges) == [("1A", "1A"), ("1B", "1B")]


def test_column_that_resembles_no_cam_is_left_out():
    rng = np.random.default_rng(9)
    angles = np.sort(rng.uniform(0.0, 720.0 * CYCLES, 148)).reshape(37, 4)
    stranger = edges_on(CLOCK, PATTERNS[0], angles)
    assert paired([seen(PATTERNS[0]), replace(stranger, cam="", column="noise")]) == [("1A", "1A")]


def test_channel_with_hardly_an_edge_is_left_out():
    keep = np.zeros((CYCLES, 4), dtype=bool)
    keep[3, :3] = True
    assert paired([seen(PATTERNS[0], keep=keep)]) == []


def test_only_cam_takes_the_only_pattern():
    other = drawn_pattern(np.random.default_rng(77), 5, "9Z")
    assert paired([seen(other)], PATTERNS[:1]) == [("9Z", "1A")]


def test_name_that_the_engine_does_not_have_may_still_be_told_by_its_edges():
    assert paired([seen(PATTERNS[3], name="3A")]) == [("2B", "2B")]


def test_without_a_clock_only_names_count():
    edges = [seen(PATTERNS[0], name="1A"), seen(PATTERNS[1])]
    assert paired(edges, clock=None) == [("1A", "1A")]


def test_more_cams_than_patterns_leave_the_worst_out():
    edges = [seen(p) for p in PATTERNS]
    assert paired(edges, PATTERNS[:2]) == [("1A", "1A"), ("1B", "1B")]

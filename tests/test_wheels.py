"""Random wheels of every kind, simulated and recorded: a small part of ``benchmarks/wheels.py``."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent.parent / "benchmarks"))

from drawn_wheels import draw_wheel_case
from tightside import pipeline
from tightside.signals.turns import common_repeat, infer_turns
from tightside.signals.wheel_shape import shape_of
from wheels import WheelResult, examine, misplaced

FIRST, CASES = 3000, 42


@pytest.fixture(scope="module")
def results() -> list[WheelResult]:
    return [examine(draw_wheel_case(n)) for n in range(FIRST, FIRST + CASES)]


def test_drawn_wheels_are_never_confidently_wrong(results):
    assert [r.case.number for r in results if r.confidently_wrong] == []


def test_drawn_wheels_are_learned_right(results):
    """Forty show no more than this; the benchmark's own target, 99 in 100, is not reached yet (about 96)."""
    assert np.mean([r.right for r in results]) >= 0.9


def test_misplaced_counts_in_pitches_and_takes_any_first_pulse():
    true = np.array([0.0, 90.0, 180.0, 270.0])
    assert misplaced(np.array([0.0, 90.0, 189.0, 270.0]), true) == pytest.approx(0.05)
    assert misplaced((true + 45.0) % 360.0, true) == pytest.approx(0.0, abs=1e-9)
    assert misplaced(true[:3], true) == float("inf")


# -------------------------------------------------------------------------------------------------- the turn, alone


@pytest.mark.parametrize(
    ("sort", "pulses", "positions", "cycles", "repeats", "certain"),
    [
        ("grid", 58, 60, (), 1, True),  # 60-2: twice that is not built
        ("grid", 28, 30, (), 1, False),  # 30-2, or a 60-2-2
        ("grid", 28, 30, [(4, 3)], 2, True),  # ... which a cam that comes again after four repeats tells
        ("grid", 28, 30, [(2, 3)], 1, True),
        ("grid", 10, 12, [(6, 5)], 3, True),  # 36-2-2-2
        ("even", 1, 1, [(48, 4)], 24, True),
        ("uneven", 2, 2, [(4, 3)], 2, True),
        ("extra", 13, 12, (), 1, True),
    ],
)
def test_infer_turns_of_known_wheels(sort, pulses, positions, cycles, repeats, certain):
    found = infer_turns(sort, pulses, positions, cycles)
    assert (found.repeats, found.certain) == (repeats, certain)


@pytest.mark.parametrize(("sort", "pulses", "positions"), [("even", 1, 1), ("grid", 10, 12), ("uneven", 3, 3)])
def test_infer_turns_of_what_nothing_tells_is_open(sort, pulses, positions):
    found = infer_turns(sort, pulses, positions)
    assert not found.likely
    assert found.others or sort == "even"


def test_common_repeat_of_two_cams_is_their_least_common_one():
    assert common_repeat([(2, 1), None, (3, 4)]) == (6, 8)
    assert common_repeat([None]) is None


def test_describe_of_a_crank_alone_that_repeats_gives_no_turn_and_no_speed():
    """DESIGN: a wheel that repeats within a turn is reported, not guessed."""
    case = next(
        c for c in map(draw_wheel_case, range(8, 900, 7)) if c.wheel.repeats > 1 and len(c.wheel.angles_deg) < 60
    )
    crank = replace(case.recording, channels=case.recording.channels[:1])
    found = pipeline.diagnose_recording(crank, None, ()).diagnosis
    assert found.crank is not None
    assert found.crank.wheel is None and found.crank.pulses_per_revolution is None
    assert not found.crank.turn_certain and len(found.crank.could_be) > 1
    assert found.crank.pulses_per_repeat == len(case.wheel.angles_deg) // case.wheel.repeats
    assert found.recordings[0].rpm is None
    assert any("cannot be told" in w for w in found.recordings[0].warnings)


# -------------------------------------------------------------------------------------------------- the shape, alone


def swung(gaps: np.ndarray, order: int, amplitude: float) -> np.ndarray:
    """Gaps as intervals of an engine whose slowness swings."""
    middle = 2.0 * np.pi * (np.cumsum(gaps) - 0.5 * gaps) / gaps.sum()
    return gaps * np.exp(amplitude * np.cos(order * middle + 0.4))


@pytest.mark.parametrize("order", [1, 2, 3, 4])
@pytest.mark.parametrize("gap", [2.0, 3.0])
def test_shape_of_a_gap_while_cranked_keeps_its_size(order, gap):
    gaps = np.append(np.ones(33), gap)
    found = shape_of(swung(gaps, order, 0.2), 3.3)
    assert found.sort == "grid" and found.gaps.max() == gap


@pytest.mark.parametrize("order", [2, 3])
def test_shape_of_even_teeth_while_cranked_is_even(order):
    assert shape_of(swung(np.ones(24), order, 0.2), 3.3).sort == "even"


def test_shape_of_one_more_tooth_while_cranked_places_it():
    gaps = np.concatenate(([1 / 3, 2 / 3], np.ones(11)))
    found = shape_of(swung(gaps, 2, 0.15), 3.3)
    assert found.sort == "extra"
    assert found.gaps.min() == pytest.approx(1 / 3, abs=0.05)


def test_shape_of_an_irregular_wheel_at_speed_is_as_measured():
    gaps = np.array([1.0, 1.5, 0.7, 1.9, 1.2])
    found = shape_of(gaps, 20.0)
    assert found.sort == "uneven"
    assert found.gaps == pytest.approx(gaps / gaps.mean())

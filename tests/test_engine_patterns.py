"""From an engine file to wheel and cam patterns."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tightside.engine.load import engine_from_text, read_engine
from tightside.engine.patterns import cam_patterns, repeat_of, wheel_name, wheel_pattern


def with_wheel(wheel: str, position: str = "10") -> str:
    return f"""
schema: tightside/engine/1
name: wheel
crank_sensor: {{wheel: {wheel}, position_0_deg: {position}, active_edge: rising}}
"""


@pytest.mark.parametrize(
    ("wheel", "name", "pulses", "repeat"),
    [
        ("{teeth: 60, missing: [58, 59]}", "60-2", 58, 360),
        ("{teeth: 36, missing: [35]}", "36-1", 35, 360),
        ("{teeth: 36, missing: [0, 1, 16, 17, 20, 21]}", "36-2-2-2", 30, 360),
        ("{teeth: 60, missing: [18, 19, 38, 39, 58, 59]}", "60-2-2-2", 54, 120),
        ("{teeth: 24}", "even 24", 24, 15),
        ("{teeth: 1}", "even 1", 1, 360),
        ("{edges_deg: [0, 5, 30, 60, 90, 120, 150, 180, 210, 240, 270, 300, 330]}", "12+1", 13, 360),
        ("{edges_deg: [0, 40, 180, 265]}", "uneven 4", 4, 360),
        ("{edges_deg: [0, 70, 180, 250]}", "uneven 4", 4, 180),
        ("{edges_deg: [0, 90, 180, 270]}", "even 4", 4, 90),
        ("{edges_deg: [0, 30, 60, 90, 120, 150, 180, 210, 240, 270, 300]}", "12-1", 11, 360),
    ],
)
def test_wheel_of_an_engine_file_is_named_and_its_repeat_found(wheel, name, pulses, repeat):
    pattern = wheel_pattern(engine_from_text(with_wheel(wheel)))
    assert (pattern.name, pattern.pulses_per_revolution) == (name, pulses)
    assert pattern.repeat_deg == pytest.approx(repeat)
    assert pattern.angles_deg[0] == 0


def test_wheel_whose_position_0_is_missing_counts_from_its_first_tooth():
    pattern = wheel_pattern(engine_from_text(with_wheel("{teeth: 60, missing: [0, 1]}", "355")))
    assert pattern.position_0_deg == pytest.approx(355 + 12 - 360)
    assert pattern.angles_deg[-1] == pytest.approx(57 * 6)


def test_wheel_whose_place_is_unknown_says_so():
    assert not wheel_pattern(engine_from_text(with_wheel("{teeth: 24}", "null"))).position_known


@given(st.lists(st.integers(0, 35), min_size=1, max_size=12, unique=True), st.integers(2, 6))
def test_repeat_of_a_repeated_wheel_divides_a_turn_by_the_repetitions(places, times):
    units = np.sort(np.concatenate([np.array(places) + 36 * k for k in range(times)]))
    turn = 36 * times
    shift = repeat_of(units * 360.0 / turn) * turn / 360.0
    here = set(units.tolist())
    maps = [n for n in range(1, turn + 1) if {(u + n) % turn for u in here} == here]
    assert shift == pytest.approx(min(maps), abs=1e-6)


@given(st.integers(12, 60), st.integers(1, 3), st.integers(0, 59))
def test_wheel_name_does_not_depend_on_where_counting_starts(teeth, gap, start):
    present = np.arange(teeth - gap) * 360.0 / teeth
    turned = np.roll(present, -(start % len(present)))
    assert wheel_name((turned - turned[0]) % 360.0) == f"{teeth}-{gap}"


def test_cam_patterns_follow_the_file():
    patterns = cam_patterns(read_engine("demo-v6"))
    assert [p.cam for p in patterns] == ["1A", "1B", "2A", "2B"]
    first = patterns[0]
    assert first.edges_deg[:2].tolist() == [36.0, 104.0]
    assert first.rising[:2].tolist() == [True, False]
    assert (first.stages[0].driver_teeth, first.stages[0].driven_teeth) == (21, 42)
    assert (first.phaser_authority_deg, first.phaser_advances) == (30.0, True)
    assert patterns[1].phaser_authority_deg == 0.0

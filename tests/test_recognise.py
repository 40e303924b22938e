"""Which channel is the crank, how often cams repeat, and how many crank pulses make a turn."""

from __future__ import annotations

import numpy as np
import pytest

from tightside.records import CamEdges, Channel, EdgeTrain, Levels, Recording
from tightside.signals.learn import cam_repeat
from tightside.signals.recognise import choose_crank, could_be_sensor, cycle_of
from turning import ANGLES, Turning, teeth_passed

CRANKING = Turning(rpm=240.0, ripple=0.3)
CAM_DEG = np.array([20.0, 75.0, 190.0, 240.0, 400.0, 610.0])  # rising, falling by turns


def crank_train(column: str, name: str = "60-2", turns: float = 10.0) -> EdgeTrain:
    _, angle = teeth_passed(ANGLES[name], turns)
    width = 0.45 * np.diff(np.append(angle, angle[-1] + 6.0)).min()
    both = np.sort(np.concatenate((angle, angle + width)))
    return EdgeTrain(column, times_s=CRANKING.time_s(both), rising=np.arange(len(both)) % 2 == 0)


def cam_train(column: str, cycles: int = 5) -> EdgeTrain:
    both = np.concatenate([CAM_DEG + 720.0 * k for k in range(cycles)])
    return EdgeTrain(column, times_s=CRANKING.time_s(both), rising=np.arange(len(both)) % 2 == 0)


def recording(trains: dict[str, EdgeTrain], roles: dict[str, str], by_hand: tuple[str, ...] = ()) -> Recording:
    channels = tuple(
        Channel(
            column,
            Levels(t.times_s, t.rising.astype(np.int8)),
            role=roles.get(column),
            why="headed by its role" if column in roles else "",
            by_hand=column in by_hand,
        )
        for column, t in trains.items()
    )
    return Recording("shop.csv", "sensor", channels)


def by_column(*trains: EdgeTrain) -> dict[str, EdgeTrain]:
    return {t.column: t for t in trains}


def test_choose_crank_without_headings_takes_the_wheel():
    trains = by_column(cam_train("D0"), crank_train("D1"), cam_train("D2"))
    choice = choose_crank(recording(trains, {}), trains)
    assert choice is not None
    assert choice.channel.column == "D1"
    assert choice.learned is not None and choice.learned.wheel.name == "60-2"
    assert choice.doubt == ""


def test_choose_crank_with_a_right_heading_believes_it():
    trains = by_column(cam_train("A"), crank_train("B"))
    choice = choose_crank(recording(trains, {"B": "crank", "A": "cam:1A"}), trains)
    assert choice is not None
    assert (choice.channel.column, choice.doubt) == ("B", "")


def test_choose_crank_with_a_heading_that_the_signal_contradicts_doubts_it():
    trains = by_column(cam_train("A"), crank_train("B", turns=30.0))
    choice = choose_crank(recording(trains, {"A": "crank"}), trains)
    assert choice is not None
    assert choice.channel.column == "B"
    assert '"A" is headed crank' in choice.doubt


def test_choose_crank_said_by_hand_is_never_overruled():
    trains = by_column(cam_train("A"), crank_train("B", turns=30.0))
    choice = choose_crank(recording(trains, {"A": "crank"}, by_hand=("A",)), trains)
    assert choice is not None
    assert (choice.channel.column, choice.why) == ("A", "said by hand")


def test_choose_crank_without_pulses_is_none():
    flat = EdgeTrain("A", times_s=np.array([0.1]), rising=np.array([True]))
    assert choose_crank(recording(by_column(flat), {}), by_column(flat)) is None


@pytest.mark.parametrize(
    ("role", "could"),
    [(None, True), ("crank", True), ("cam:2B", True), ("starter_current", False), ("log:rpm", False)],
)
def test_could_be_sensor_by_role(role, could):
    assert could_be_sensor(Channel("A", Levels(np.empty(0), np.empty(0, np.int8)), role=role)) is could


@pytest.mark.parametrize(
    ("edges_deg", "repeat_deg", "expected"),
    [
        ((10.0,), 360.0, (2, 1)),
        ((10.0, 100.0, 400.0), 360.0, (2, 3)),
        ((10.0, 370.0), 360.0, (1, 1)),  # alike in both turns
        ((10.0, 250.0, 490.0), 120.0, (2, 1)),  # every 240 deg of a wheel that repeats each 120
        ((10.0, 140.0, 490.0), 120.0, (6, 3)),
        ((0.0, 320.0, 360.0), 180.0, (4, 3)),
        ((10.0, 100.0, 400.0), 15.0, (48, 3)),
    ],
)
def test_cam_repeat_of_known_cams(edges_deg, repeat_deg, expected):
    rng = np.random.default_rng(2)
    angle = np.concatenate([np.array(edges_deg) + 720.0 * k for k in range(8)])
    assert cam_repeat(angle + rng.normal(0.0, 0.2, len(angle)), repeat_deg) == expected


def test_cam_repeat_of_random_pulses_is_none():
    angle = np.cumsum(np.random.default_rng(4).uniform(20.0, 400.0, 40))
    assert cam_repeat(angle, 360.0) is None


@pytest.mark.parametrize("count", [0, 1])
def test_cam_repeat_of_no_cycle_is_none(count):
    assert cam_repeat(np.arange(count) * 720.0, 360.0) is None


def cam_edges_at(angle_deg: np.ndarray, segment: np.ndarray) -> CamEdges:
    return CamEdges(
        cam="1A",
        column="A",
        times_s=CRANKING.time_s(angle_deg),
        angle_deg=angle_deg,
        rising=np.arange(len(angle_deg)) % 2 == 0,
        speed_deg_s=np.full(len(angle_deg), 1440.0),
        segment=segment,
    )


@pytest.mark.parametrize(("repeat_deg", "expected"), [(360.0, (2, 3)), (180.0, (4, 3)), (120.0, (6, 3))])
def test_cycle_of_takes_the_longest_segment(repeat_deg, expected):
    long = np.concatenate([CAM_DEG + 720.0 * k for k in range(6)])
    angle = np.concatenate((long, CAM_DEG))
    edges = cam_edges_at(angle, np.repeat([0, 1], [len(long), len(CAM_DEG)]))
    assert cycle_of(edges, repeat_deg) == expected


def test_cycle_of_nothing_is_none():
    assert cycle_of(cam_edges_at(np.empty(0), np.empty(0, np.int64)), 360.0) is None

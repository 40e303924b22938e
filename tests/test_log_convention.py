"""What logged angles mean: cam or crank degrees, early or late; and what stays open."""

from __future__ import annotations

import numpy as np
import pytest

from phase_logs import answer, idle, log_of, pattern, sampled, steps
from tightside.timing.log_convention import Said, find_conventions, readings_of_conventions
from tightside.timing.log_phase import find_phase_logs, quantum_of

KNOWN = {"1A": pattern("1A"), "1B": pattern("1B", advances=False)}


def convention(recording, said=None, known=KNOWN, cam="1A"):
    return find_conventions(find_phase_logs(recording), known, said or Said())[cam]


def moved(scale=1.0, most=26.0, seed=0, cam="1A", headings=None):
    wanted = steps(60.0, seed, (0.0, 0.7 * most, 0.4 * most, most))
    t, seen, actual = sampled(10.0, wanted, answer(wanted, 0.3, 0.1))
    columns = {f"actual_{cam}": scale * actual, f"desired_{cam}": scale * seen}
    return log_of(t, headings, rpm=np.where(seen > 1.0, 2000.0, 700.0), **columns)


# -------------------------------------------------------------------------------------------------------------- unit


@pytest.mark.parametrize(
    ("heading", "unit"),
    [
        ("[crank deg]", "crank"), ("(°CA)", "crank"), ("[deg CA]", "crank"), ("(degCrk)", "crank"), ("[°KW]", "crank"),
        ("[cam deg]", "cam"), ("(degCam)", "cam"), ("[°NW]", "cam"), ("(deg)", "unknown"), ("", "unknown"),
    ],
)  # fmt: skip
def test_unit_in_the_heading_is_believed(heading, unit):
    t, error, rpm = idle()
    found = convention(log_of(t, heading, error_1A=error, rpm=rpm))
    assert found.unit == unit


def test_travel_beyond_the_phaser_shows_crank_degrees():
    assert convention(moved(headings="plain")).unit == "crank"
    assert convention(moved(0.5, headings="plain")).unit == "unknown"  # a short play in crank degrees looks the same
    assert convention(moved(headings="plain"), known={}).unit == "unknown"  # nothing is known of the phaser's travel


def test_short_play_speaks_a_little_for_cam_degrees():
    assert convention(moved(0.5, headings="plain")).crank < 0.5
    assert convention(moved(0.5)).crank < convention(moved()).crank


def test_word_of_the_user_goes_before_all():
    found = convention(moved(), Said("cam", "late"))
    assert (found.crank, found.early, found.unit, found.positive) == (0.0, 0.0, "cam", "late")


# -------------------------------------------------------------------------------------------------------------- side


@pytest.mark.parametrize(("scale", "side"), [(1.0, "early"), (-1.0, "late")])
def test_side_to_which_the_phaser_leaves_its_stop_shows_the_sign(scale, side):
    assert convention(moved(scale, headings="plain")).positive == side
    # an exhaust phaser goes late from its stop
    other = {"early": "late", "late": "early"}[side]
    assert convention(moved(scale, cam="1B", headings="plain"), cam="1B").positive == other


def test_side_of_one_cam_is_that_of_the_other_bank():
    t, seen, actual = sampled(10.0, *(lambda w: (w, answer(w, 0.3, 0.1)))(steps(60.0)))
    still = np.full(len(t), -17.0)
    log = log_of(t, "plain", actual_1A=actual, desired_1A=seen, actual_2A=still, desired_2A=np.zeros(len(t)))
    found = find_conventions(find_phase_logs(log), {"1A": pattern("1A"), "2A": pattern("2A")}, Said())
    assert found["2A"].positive == "early"


def test_phaser_that_does_not_move_leaves_the_side_open():
    t, error, rpm = idle(offset_deg=-17.0)
    found = convention(log_of(t, actual_1A=error, desired_1A=np.zeros(len(t)), rpm=rpm))
    assert found.positive == "unknown" and "--phase-sign" in found.side_why


def test_angles_with_a_zero_of_their_own_leave_the_side_open():
    t, seen, actual = sampled(10.0, *(lambda w: (w, answer(w, 0.3, 0.1)))(steps(60.0)))
    found = convention(log_of(t, "plain", actual_1A=110 - actual, desired_1A=110 - seen))
    assert found.positive == "unknown"


@pytest.mark.parametrize(("word", "side"), [("advance", "early"), ("adv", "early"), ("retard", "late")])
def test_side_in_the_heading_is_believed(word, side):
    t, error, rpm = idle()
    assert convention(log_of(t, f"{word} [deg]", error_1A=error, rpm=rpm)).positive == side


def test_error_alone_is_read_in_our_own_way_only_under_our_own_heading():
    t, error, rpm = idle()
    own, other = (convention(log_of(t, h, error_1A=error, rpm=rpm)) for h in (None, "plain"))
    assert (own.unit, own.positive) == ("crank", "late") and "--phase-sign" in own.side_why
    assert (other.unit, other.positive) == ("unknown", "unknown")


# A phaser that leaves its stop when the engine picks up lags: its error swings late for a moment. Common practice.
@pytest.mark.parametrize(("scale", "side"), [(1.0, "late"), (-1.0, "early")])
def test_swings_of_an_error_show_its_side(scale, side):
    wanted = steps(90.0, 3, (0.0, 20.0))
    error = scale * (wanted - answer(wanted, 0.6, 0.1))
    pedal = np.where(wanted > 1.0, 25.0, 12.0)
    t, e, p = sampled(10.0, error, pedal)
    rng = np.random.default_rng(1)
    recording = log_of(t, "plain", error_1A=e + 0.2 * rng.standard_normal(len(t)), throttle=p)
    assert convention(recording).positive == side


# Control takes a slip out when the phaser leaves its stop: the error then swings the other way than a lag would.
def test_swings_of_an_offset_that_control_takes_out_show_no_side():
    wanted = steps(90.0, 3, (0.0, 20.0))
    error = np.where(wanted > 1.0, 0.0, 17.0)  # late by a tooth, at the stop only
    t, e, p = sampled(10.0, answer(error, 0.3, 0.1), np.where(wanted > 1.0, 25.0, 12.0))
    rng = np.random.default_rng(1)
    recording = log_of(t, "plain", error_1A=e + 0.2 * rng.standard_normal(len(t)), throttle=p)
    assert convention(recording).positive == "unknown"


# ---------------------------------------------------------------------------------------------------------- readings


def test_ways_to_read_add_up_and_drop_what_is_ruled_out():
    t, error, rpm = idle()
    logs = find_phase_logs(log_of(t, "plain", error_1A=error, error_1B=error, rpm=rpm))
    ways = readings_of_conventions(find_conventions(logs, KNOWN, Said()))
    assert sum(w.probability for w in ways) == pytest.approx(1.0)
    assert len(ways) == 8  # two units, two sides of each letter
    (only,) = readings_of_conventions(find_conventions(logs, KNOWN, Said("cam", "early")))
    assert dict(only.factors) == {"1A": -2.0, "1B": -2.0}


@pytest.mark.parametrize("quantum", [0.1, 0.5, 1.0])
def test_step_of_the_readings_is_found(quantum):
    x = np.random.default_rng(0).normal(0, 2, 500)
    assert quantum_of(np.round(x / quantum) * quantum) == pytest.approx(quantum)
    assert quantum_of(x) == 0.0

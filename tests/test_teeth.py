"""Which whole tooth: the posterior over all cams, at places worked out by hand.

The drive is 20/40 teeth: one tooth is 18 crank degrees.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cam_signals import PITCH_DEG, pattern_of
from tightside.records import DriveStage
from tightside.timing.judge import is_sure
from tightside.timing.teeth import MeasuredCam, infer_teeth, jumps_of, references, wear_prior

FOUR = ("1A", "1B", "2A", "2B")
KEPT = 1e-3  # teeth of less than 1e-4 need not be listed
QUICK = settings(max_examples=25, deadline=None)
DEGREES = st.floats(-80.0, 80.0)
ONE_STAGE = (DriveStage(20, 40),)
TWO_STAGES = (DriveStage(24, 36), DriveStage(24, 32))  # a tooth is 15 deg on the first, 22.5 on the last


def believed(offsets, repeat_deg=360.0, sd_deg=0.1, **pattern):
    """Beliefs by cam, for offsets by cam."""
    cams = tuple(MeasuredCam(pattern_of(cam, **pattern), at, sd_deg) for cam, at in offsets.items())
    return dict(zip(offsets, infer_teeth(cams, repeat_deg), strict=True))


def four(**offsets):
    """Four cams at zero but for those named ``c1A=18.0``."""
    return {cam: offsets.get(f"c{cam}", 0.0) for cam in FOUR}


def called(belief):
    """The number of teeth that is sure enough to be called, or None."""
    teeth = max(belief.probability, key=lambda k: belief.probability[k])
    return teeth if is_sure(belief, teeth) else None


def mean_teeth(belief):
    return sum(k * p for k, p in belief.probability.items())


# ------------------------------------------------------------------------------------------------------------ priors


@given(st.floats(0.0, 1.0))
@pytest.mark.parametrize("stages", [(), ONE_STAGE, TWO_STAGES], ids=len)
def test_prior_of_jumps_sums_to_one(stages, jump):
    jumps = jumps_of(stages, jump, 0.3)
    assert jumps.prior.sum() == pytest.approx(1.0, abs=1e-12)
    assert jumps.prior.min() >= 0.0
    assert jumps.prior[jumps.stage == 0].sum() == pytest.approx(1.0 - jump if stages else 1.0)


def test_stages_of_one_pitch_are_counted_once():
    like = (DriveStage(20, 30), DriveStage(30, 40))  # a tooth of either is worth 18 deg
    assert set(jumps_of(like, 0.2, 0.5).stage.tolist()) == {0, 2}


@pytest.mark.parametrize("repeat_deg", [360.0, 180.0, 120.0, 15.0, 6.0])
def test_prior_of_the_reference_sums_to_one_and_repeats_with_the_wheel(repeat_deg):
    s, weight, way, place = references(repeat_deg)
    assert (place == 0).sum() < len(s) or repeat_deg > 200.0
    assert (way <= 0).all()  # no way up was offered
    assert weight.sum() == pytest.approx(1.0)
    there = [weight[np.abs(s - place) < 1e-6].sum() for place in (-repeat_deg, 0.0, repeat_deg)]
    assert there[0] == pytest.approx(there[2])
    assert (there[2] > 0.5 * there[1]) == (repeat_deg <= 180.0)


def test_prior_of_wear_sums_to_one_and_is_late_only():
    late, prior = wear_prior()
    assert prior.sum() == pytest.approx(1.0, abs=1e-12)
    assert late.min() >= 0.0
    assert prior[0] == prior.max()


# ORIGIN: common practice, no source: a slip is usually one to three teeth, one most often.
def test_slip_is_expected_to_be_one_to_three_teeth():
    jumps = jumps_of(ONE_STAGE, 1.0, 0.0)
    prior = dict(zip(jumps.teeth.tolist(), jumps.prior.tolist(), strict=True))
    assert sum(p for k, p in prior.items() if 1 <= abs(k) <= 3) > 0.9
    for sign in (-1, 1):
        assert prior[sign] > prior[2 * sign] > prior[3 * sign] > prior[4 * sign] > 0.0


# ORIGIN: common practice, no source: a healthy cam stays near zero.
def test_cam_near_zero_is_held_to_be_in_place():
    for offsets in ({"1A": 0.5}, four(c1A=1.0, c1B=-0.8, c2A=0.3)):
        for belief in believed(offsets).values():
            assert belief.probability[0] > 0.99
            assert belief.reference_lost < 0.05


# ------------------------------------------------------------------------------------------------ whole teeth, and not


@QUICK
@given(st.lists(DEGREES, min_size=1, max_size=4), st.floats(0.02, 5.0), st.sampled_from([360.0, 120.0, 15.0, 6.0]))
def test_probabilities_sum_to_one(offsets, sd_deg, repeat_deg):
    for belief in believed(dict(zip(FOUR, offsets, strict=False)), repeat_deg, sd_deg).values():
        assert sum(belief.probability.values()) == pytest.approx(1.0, abs=KEPT)
        assert all(0.0 <= p <= 1.0 + 1e-9 for p in belief.probability.values())
        assert 0.0 <= belief.reference_lost <= 1.0 + 1e-9
        assert belief.pitch_deg == pytest.approx(PITCH_DEG)


@pytest.mark.parametrize("teeth", range(-3, 4))
@pytest.mark.parametrize("cams", [("1A",), ("1A", "1B"), ("1A", "2A"), FOUR])
def test_offset_of_whole_teeth_is_called(cams, teeth):
    beliefs = believed({cam: teeth * PITCH_DEG if cam == cams[-1] else 0.0 for cam in cams})
    assert called(beliefs.pop(cams[-1])) == teeth
    assert all(called(b) == 0 for b in beliefs.values())


@pytest.mark.parametrize("teeth", [-2, -1, 1, 2])
def test_both_cams_of_a_bank_off_by_the_same_teeth_are_called(teeth):
    beliefs = believed(four(c2A=teeth * PITCH_DEG, c2B=teeth * PITCH_DEG))
    assert [called(beliefs[cam]) for cam in FOUR] == [0, 0, teeth, teeth]


@pytest.mark.parametrize("late_deg", [-27.0, -9.0, 9.0, 27.0])
@pytest.mark.parametrize("cams", [("1A",), ("1A", "1B"), FOUR])
def test_half_way_between_teeth_is_not_called(cams, late_deg):
    beliefs = believed({cam: late_deg if cam == "1A" else 0.0 for cam in cams})
    assert called(beliefs["1A"]) is None


def test_unsure_offset_is_not_called():
    assert called(believed(four(c1A=PITCH_DEG), sd_deg=9.0)["1A"]) is None


def test_drive_that_is_not_known_gives_no_teeth():
    belief = believed({"1A": PITCH_DEG}, stages=())["1A"]
    assert belief.pitch_deg is None
    assert belief.probability == {}


# ---------------------------------------------------------------------------------------------------------------- wear


# ORIGIN: a longer chain makes the cam late: www.agriculture.com, how to check wear in an engine's timing chain.
@pytest.mark.parametrize("offsets", [{"1A": 4.0}, {"1A": 4.0, "1B": 4.0}, four(c1A=4.0, c1B=4.0)])
def test_late_wear_of_four_degrees_is_no_slip(offsets):
    assert called(believed(offsets)["1A"]) == 0


@pytest.mark.parametrize("teeth", [-2, -1, 1, 2])
def test_slip_on_a_worn_bank_is_called(teeth):
    beliefs = believed(four(c1A=4.7, c1B=4.7 + teeth * PITCH_DEG))
    assert [called(beliefs[cam]) for cam in FOUR] == [0, teeth, 0, 0]


def test_wear_explains_late_better_than_early():
    late, early = (believed(four(c1A=x, c1B=x))["1A"].probability[0] for x in (6.0, -6.0))
    assert late > early


def test_sibling_that_is_worn_alike_speaks_for_wear():
    alone, together = believed(four(c1A=6.5)), believed(four(c1A=6.5, c1B=6.5))
    assert together["1A"].probability[0] > alone["1A"].probability[0]


# ----------------------------------------------------------------------------------------------------- crank reference


@pytest.mark.parametrize("off_deg", [-10.0, 10.0, 12.0])
def test_all_cams_off_alike_and_not_by_a_tooth_are_the_reference(off_deg):
    for belief in believed(dict.fromkeys(FOUR, off_deg)).values():
        assert belief.reference_lost > 0.9
        assert called(belief) in (0, None)


@pytest.mark.parametrize("teeth", [-1, 1])
def test_all_cams_off_by_a_tooth_alike_are_not_called(teeth):
    for belief in believed(dict.fromkeys(FOUR, teeth * PITCH_DEG)).values():
        assert called(belief) is None
        assert belief.reference_lost > 0.1


def test_even_wheel_with_one_cam_cannot_be_called():
    # a tooth of the cam is a whole number of the wheel's, and there is no second cam to compare with
    for repeat_deg in (6.0, 9.0, 18.0):
        for teeth in (-1, 0, 1):
            assert called(believed({"1A": teeth * PITCH_DEG}, repeat_deg)["1A"]) is None


@pytest.mark.parametrize("repeat_deg", [10.0, 15.0])
@pytest.mark.parametrize("teeth", [-1, 0, 1])
def test_even_wheel_of_another_pitch_than_the_cams_is_never_called_wrong(teeth, repeat_deg):
    # 20 or 15 against 18 deg: a few degrees tell them apart, though not for sure
    assert called(believed({"1A": teeth * PITCH_DEG}, repeat_deg)["1A"]) in (teeth, None)


def test_even_wheel_with_a_slipped_bank_knows_that_the_banks_differ():
    beliefs = believed(four(c1A=PITCH_DEG, c1B=PITCH_DEG), 10.0)
    apart = mean_teeth(beliefs["1A"]) - mean_teeth(beliefs["2A"])
    assert apart == pytest.approx(1.0, abs=0.05)


# -------------------------------------------------------------------------------------------------------------- phaser


@pytest.mark.parametrize("advances", [True, False])
def test_phaser_explains_only_its_own_direction(advances):
    sign = -1.0 if advances else 1.0
    with_it, against_it = (
        believed(four(c1A=at), phaser_authority_deg=50.0, phaser_advances=advances)["1A"].probability.get(0, 0.0)
        for at in (9.0 * sign, -9.0 * sign)
    )
    assert with_it > 0.8
    assert against_it < 0.3  # half way: what nothing explains is shared between the two teeth


def test_slip_against_the_phasers_direction_is_surer():
    early, late = (believed(four(c1A=t * PITCH_DEG), phaser_authority_deg=50.0)["1A"].probability[t] for t in (-1, 1))
    fixed = believed(four(c1A=-PITCH_DEG))["1A"].probability[-1]
    assert early < late
    assert early < fixed


def test_phaser_out_of_reach_explains_nothing():
    far = believed(four(c1A=-3 * PITCH_DEG), phaser_authority_deg=30.0)["1A"]
    assert called(far) == -3


def test_phaser_is_held_by_its_pin_while_cranking():
    running, cranking = (
        infer_teeth((MeasuredCam(pattern_of(phaser_authority_deg=50.0), -PITCH_DEG, 0.1, c),))[0].probability[-1]
        for c in (False, True)
    )
    assert cranking > running


# ------------------------------------------------------------------------------------------------------- drive stages


@pytest.mark.parametrize("teeth", [-1, 1])
@pytest.mark.parametrize(("stage", "pitch_deg"), [(1, 15.0), (2, 22.5)])
def test_tooth_is_counted_on_the_stage_that_slipped(stage, pitch_deg, teeth):
    belief = believed(four(c1A=teeth * pitch_deg, c1B=teeth * pitch_deg), stages=TWO_STAGES)["1A"]
    assert belief.stage == stage
    assert belief.pitch_deg == pytest.approx(pitch_deg)
    assert called(belief) == teeth


# ---------------------------------------------------------------------------------------------------------- monotone


@QUICK
@given(st.floats(-45.0, 45.0), st.floats(0.5, 10.0))
def test_later_cam_is_never_held_for_earlier_teeth(at, later):
    before, after = (mean_teeth(believed(four(c1A=x))["1A"]) for x in (at, at + later))
    assert after >= before - 1e-3


@QUICK
@given(st.integers(-3, 3), st.floats(0.05, 2.0), st.floats(1.1, 3.0))
def test_less_certain_offset_gives_no_surer_tooth(teeth, sd_deg, factor):
    sharp, blurred = (
        believed(four(c1A=teeth * PITCH_DEG), sd_deg=sd)["1A"].probability[teeth] for sd in (sd_deg, sd_deg * factor)
    )
    assert blurred <= sharp + 1e-3


@QUICK
@given(st.sampled_from([-3, -2, -1, 1, 2, 3]))
def test_cams_in_time_beside_it_make_a_slip_surer(teeth):
    alone = believed({"1A": teeth * PITCH_DEG})["1A"].probability[teeth]
    assert believed(four(c1A=teeth * PITCH_DEG))["1A"].probability[teeth] >= alone


@QUICK
@given(st.lists(DEGREES, min_size=2, max_size=4), st.randoms(use_true_random=False))
def test_order_of_the_cams_does_not_matter(offsets, order):
    named = list(zip(FOUR, offsets, strict=False))
    mixed = named.copy()
    order.shuffle(mixed)
    one, other = believed(dict(named)), believed(dict(mixed))
    for cam, _ in named:
        for teeth in (-1, 0, 1):
            assert other[cam].probability[teeth] == pytest.approx(one[cam].probability[teeth], abs=1e-9)


def test_no_cams_give_no_beliefs():
    assert infer_teeth(()) == ()


# ------------------------------------------------------------------------------------------- phasers moved on purpose


def moved(driving, **offsets):
    """Two banks with phased intake cams and fixed exhaust cams."""
    cams = tuple(
        MeasuredCam(pattern_of(c, phaser_authority_deg=50.0 if c.endswith("A") else 0.0), at, 0.1, driving=driving)
        for c, at in offsets.items()
    )
    return dict(zip(offsets, infer_teeth(cams), strict=True))


def test_intake_cams_of_both_banks_early_alike_are_no_sure_slip():
    # the module advances both intake cams above idle; that they then stand a tooth early each is no rare chance
    for driving in (False, True):
        beliefs = moved(driving, **{"1A": -PITCH_DEG, "1B": 0.0, "2A": -PITCH_DEG - 0.8, "2B": 0.3})
        assert max(beliefs["1A"].probability.get(-1, 0.0), beliefs["2A"].probability.get(-1, 0.0)) < 0.9
        assert beliefs["1B"].probability[0] > 0.98


def test_intake_cams_moved_alike_by_part_of_a_tooth_are_in_place():
    beliefs = moved(True, **{"1A": -9.0, "1B": 0.0, "2A": -9.5, "2B": 0.3})
    assert called(beliefs["1A"]) == 0


def test_one_intake_cam_early_beside_one_in_place_is_still_called():
    assert called(moved(False, **{"1A": -PITCH_DEG, "1B": 0.0, "2A": 0.2, "2B": 0.3})["1A"]) == -1


def test_phaser_well_above_idle_makes_an_early_cam_less_sure():
    idle, driving = (moved(d, **{"1A": -PITCH_DEG, "1B": 0.0})["1A"].probability[-1] for d in (False, True))
    assert driving < idle

"""Causes of what is measured, coded and seen: the right one first, honest about doubt, nothing counted twice."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tightside.causes import numbers
from tightside.causes.evidence import Known, weigh
from tightside.causes.infer import Cause, log_evidence
from tightside.causes.measured import measured_cam, offset_tables, offsets_log_likelihood, wear_priors
from tightside.causes.observations import Observations
from tightside.causes.weigh import Judgement, in_conflict, judge_causes
from tightside.codes.read import read_codes
from tightside.records import CamOffset, CamPattern, DriveStage, PhaserMotion
from tightside.timing import teeth
from tightside.timing.teeth import MeasuredCam, infer_teeth

PITCH_DEG = 720.0 / 42.0
FOUR = ("1A", "1B", "2A", "2B")


def cam(name: str, offset_deg: float = 0.0, scatter_deg: float = 0.2, **other: Any) -> CamOffset:
    x = offset_deg + scatter_deg * np.random.default_rng(7).standard_normal(40)
    x += offset_deg - x.mean()
    values: dict[str, Any] = {
        "state": "in time",
        "cycles": 40,
        "offset_deg": offset_deg,
        "ci95_deg": (offset_deg - 0.3, offset_deg + 0.3),
        "scatter_deg": scatter_deg,
        "tooth_pitch_deg": PITCH_DEG,
        "cycle_times_s": np.arange(40) * 0.17,
        "cycle_offset_deg": x,
        "cycle_rpm": np.full(40, 700.0),
    }
    return CamOffset(cam=name, column=name, reference="engine file", **(values | other))


def silent(name: str) -> CamOffset:
    none = np.empty(0)
    empty: dict[str, Any] = {"cycle_times_s": none, "cycle_offset_deg": none, "cycle_rpm": none}
    return CamOffset(cam=name, column=name, state="no signal", reference="engine file", **empty)


def pattern(name: str, authority_deg: float = 45.0) -> CamPattern:
    return CamPattern(
        cam=name,
        edges_deg=np.array([0.0, 180.0]),
        rising=np.array([True, False]),
        stages=(DriveStage(21, 42),),
        phaser_authority_deg=authority_deg,
    )


def known(*offsets_deg: float, cams: tuple[str, ...] = FOUR, **other: Any) -> Known:
    given = tuple(cam(name, x) for name, x in zip(cams, offsets_deg, strict=True))
    return Known(cams=given, patterns=tuple(pattern(name) for name in cams), **other)


def first(judgement: Judgement, name: str) -> Cause:
    return next(c for c in judgement.causes if c.cam == name)


# ------------------------------------------------------------------------------------------------------- measured alone


@pytest.mark.parametrize(
    ("offsets_deg", "name", "cause", "least"),
    [
        ((0.2, -0.3, 0.4, 0.1), "1A", "in_time", 0.9),
        ((PITCH_DEG, 0.0, 0.0, 0.0), "1A", "chain_slipped", 0.9),
        ((2 * PITCH_DEG, 2 * PITCH_DEG, 0.0, 0.0), "1B", "chain_slipped", 0.95),
        ((5.0, 4.6, 0.1, 0.0), "1A", "chain_worn", 0.6),
        ((8.0, 8.2, 7.9, 8.1), "2A", "wrong_reference", 0.8),
        ((-PITCH_DEG, -PITCH_DEG, 0.0, 0.0), "1A", "chain_slipped", 0.9),
    ],
)
def test_offsets_alone_bring_the_right_cause_first(
    offsets_deg: tuple[float, ...], name: str, cause: str, least: float
) -> None:
    top = first(judge_causes(known(*offsets_deg)), name)
    assert top.cause == cause
    assert top.probability >= least


def test_one_early_cam_within_its_phaser_s_reach_is_left_open() -> None:
    assert first(judge_causes(known(-12.0, 0.0, 0.0, 0.0)), "1A").probability < 0.8


def test_a_cam_that_wanders_has_a_loose_phaser() -> None:
    given = replace(known(0.0, 0.0, 0.0, 0.0), cams=(cam("1A", 0.5, 4.0), *(cam(c) for c in FOUR[1:])))
    assert first(judge_causes(given), "1A").cause == "phaser_loose"


def test_two_faults_at_once_are_both_found() -> None:
    given = known(PITCH_DEG, PITCH_DEG, 0.0, 0.0)
    given = replace(given, cams=(*given.cams[:2], cam("2A", 0.5, 4.5), given.cams[3]))
    found = judge_causes(given)
    assert first(found, "1A").cause == "chain_slipped" and first(found, "2A").cause == "phaser_loose"


def test_two_faults_of_one_cam_are_both_said_to_be_present() -> None:
    given = known(PITCH_DEG, PITCH_DEG, 0.0, 0.0)
    found = judge_causes(replace(given, cams=(cam("1A", PITCH_DEG, 4.5), *given.cams[1:])))
    present = {c.cause: c.present for c in found.causes if c.cam == "1A"}
    assert present["chain_slipped"] > 0.9 and present["phaser_loose"] > 0.5


def test_causes_of_each_cam_sum_to_one_and_are_sorted() -> None:
    found = judge_causes(known(9.0, 0.0, -4.0, 1.0))
    for name in FOUR:
        assert sum(c.probability for c in found.causes if c.cam == name) == pytest.approx(1.0)
    every = [c.probability for c in found.causes]
    assert every == sorted(every, reverse=True)
    assert len({(c.cam, c.cause) for c in found.causes}) == len(found.causes)


def test_no_signal_and_no_start_and_no_compression_is_a_broken_drive() -> None:
    given = replace(
        known(0.0, 0.0, 0.0, 0.0),
        cams=(silent("1A"), silent("1B"), cam("2A"), cam("2B")),
        observations=Observations(starts=False, compression_kpa={1: 50, 2: 1200, 3: 0, 4: 1250}),
        cylinder_banks={1: "1", 2: "2", 3: "1", 4: "2"},
    )
    assert first(judge_causes(given), "1A").cause == "drive_broken"


def test_no_signal_with_a_sensor_code_and_an_engine_that_runs_is_the_sensor() -> None:
    given = replace(
        known(0.0, 0.0, 0.0, 0.0),
        cams=(silent("1A"), cam("1B"), cam("2A"), cam("2B")),
        codes=read_codes(["P0340"]),
        observations=Observations(starts=True),
    )
    top = first(judge_causes(given), "1A")
    assert top.cause == "cam_signal" and top.probability > 0.7


@pytest.mark.parametrize(("follows", "response_s", "cause"), [(0.03, None, "phaser_stuck"), (0.75, 2.5, "oil_control")])
def test_a_log_tells_a_stuck_phaser_from_a_slow_one(follows: float, response_s: float | None, cause: str) -> None:
    motion = PhaserMotion(
        cam="1A",
        duration_s=60.0,
        steps=4,
        follows=follows,
        follows_ci95=(follows - 0.1, follows + 0.1),
        response_s=response_s,
        response_ci95_s=(0.8 * response_s, 1.25 * response_s) if response_s else None,
    )
    given = replace(known(0.0, 0.0, 0.0, 0.0), phasers=(motion,), codes=read_codes(["P000A"]))
    assert first(judge_causes(given), "1A").cause == cause


# ------------------------------------------------------------------------------------------------ nothing counted twice


def test_verdict_s_own_posterior_and_state_count_for_nothing() -> None:
    plain = known(PITCH_DEG, 0.0, 0.0, 0.0)
    told = replace(plain, cams=tuple(replace(c, teeth=((0, 0.01), (1, 0.99)), teeth_call=1) for c in plain.cams))
    for a, b in zip(judge_causes(plain).causes, judge_causes(told).causes, strict=True):
        assert (a.cause, a.cam, a.probability) == (b.cause, b.cam, b.probability)


def test_numbers_of_an_offset_are_those_of_the_tooth_count() -> None:
    for name in ("MOST_TEETH", "LATE_SHARE", "BY_COUNT", "MOUNT_SD_DEG", "REFERENCE_SD_DEG", "REFERENCE_SPAN_DEG"):
        assert getattr(numbers, name) == getattr(teeth, name), name
    assert (numbers.WEAR_SHARE, numbers.WEAR_MEAN_DEG) == (teeth.WEAR_SHARE, teeth.WEAR_MEAN_DEG)
    assert numbers.FAULTS["wheel_moved"].prior == pytest.approx(teeth.ADRIFT_WEIGHT, rel=0.5)
    assert numbers.ADRIFT_SPAN_DEG == teeth.ADRIFT_SPAN_DEG
    assert numbers.FAULTS["reference_off"].prior == pytest.approx(teeth.REFERENCE_LOST, rel=0.5)


def test_prior_of_a_worn_chain_follows_from_the_wear_distribution() -> None:
    assert numbers.FAULTS["chain_worn"].prior == pytest.approx(wear_priors()[3], abs=0.03)


@pytest.mark.parametrize("authority_deg", [0.0, 45.0])
def test_causes_and_tooth_count_agree_wherever_teeth_are_called(authority_deg: float) -> None:
    """Their priors differ, the likelihood is one: a called tooth is a slip, a called zero is none."""
    for offset in (-34.3, -18.0, -16.0, -1.0, 1.5, 15.5, 17.1, 18.5, 35.0, 51.4):
        cams = tuple(pattern(name, authority_deg) for name in FOUR)
        count = infer_teeth(tuple(MeasuredCam(p, x, 0.15) for p, x in zip(cams, (offset, 0, 0, 0), strict=True)))[0]
        call, sure = max(count.probability.items(), key=lambda kv: kv[1])
        given = replace(known(float(offset), 0.0, 0.0, 0.0), patterns=cams)
        slipped = sum(c.present for c in judge_causes(given).causes if (c.cam, c.cause) == ("1A", "chain_slipped"))
        if sure >= 0.9:
            assert (slipped > 0.5) == (call != 0), (offset, call, sure, slipped)


def test_offset_density_is_a_plain_sum_over_wear_teeth_and_reference() -> None:
    """ORIGIN: the same integral by brute force, written out for one cam with no phaser and no fault."""
    given = Known(cams=(cam("1A", 3.0),), patterns=(pattern("1A", 0.0),))
    weighed = weigh(given)
    hypotheses = weighed.hypotheses
    found = offsets_log_likelihood(offset_tables(weighed.measured, hypotheses), hypotheses)
    sound = np.flatnonzero(hypotheses.present.sum(axis=1) == 0)[0]
    late, unworn, _, _ = wear_priors()
    s = np.linspace(-3.0, 3.0, 601)
    right = np.exp(-0.5 * (s / 0.6) ** 2)
    sd = float(np.hypot(0.3 / 1.96, 0.9))
    x = 3.0 - late[:, None] - s[None, :]
    normal = np.exp(-0.5 * (x / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
    expected = float(unworn @ (0.998 * normal + 0.002 / 400.0) @ (right / right.sum()))
    assert np.exp(found[sound]) == pytest.approx(expected, rel=0.03)


# ------------------------------------------------------------------------------------------- codes, and what is unknown


def test_bank_that_compresses_less_by_the_starter_s_current_speaks_for_its_drive() -> None:
    banks = {1: "1", 2: "2", 3: "1", 4: "2"}
    plain = Known(codes=read_codes(["P0016"]), observations=Observations(cams=("1A", "2A")), cylinder_banks=banks)

    def driven(values: dict[int, float]) -> float:
        found = judge_causes(replace(plain, relative_compression=values)).causes
        return sum(c.probability for c in found if c.cam == "1A" and c.cause in ("chain_slipped", "drive_broken"))

    assert driven({1: 0.7, 2: 1.0, 3: 0.72, 4: 0.98}) > driven({}) > driven({1: 1.0, 2: 1.0, 3: 0.99, 4: 1.0})


def test_codes_alone_give_causes_but_no_certainty() -> None:
    found = judge_causes(Known(codes=read_codes(["P0016"])))
    top = first(found, "1A")
    assert top.cause == "chain_slipped" and top.probability < 0.8
    assert found.tests[0].test.sees == "recording"


def test_correlation_on_both_banks_speaks_for_what_they_share() -> None:
    one = judge_causes(Known(codes=read_codes(["P0016"]), observations=Observations(cams=("1A", "2A"))))
    both = judge_causes(Known(codes=read_codes(["P0016", "P0018"]), observations=Observations(cams=("1A", "2A"))))

    def shared(found: Judgement) -> float:
        common = ("wrong_reference", "crank_signal")
        return sum(c.probability for c in found.causes if c.cam == "1A" and c.cause in common)

    assert shared(both) > 1.5 * shared(one)


def test_unknown_code_is_kept_and_counts_for_nothing() -> None:
    plain = judge_causes(known(0.0, 0.0, 0.0, 0.0, codes=read_codes(["P0016"])))
    more = judge_causes(known(0.0, 0.0, 0.0, 0.0, codes=read_codes(["P0016", "P1ABC"])))
    for a, b in zip(plain.causes, more.causes, strict=True):
        assert a.probability == pytest.approx(b.probability)


def test_pending_code_weighs_less_than_a_stored_one() -> None:
    def slipped(code: str) -> float:
        found = judge_causes(Known(codes=read_codes([code])))
        return next(c.probability for c in found.causes if c.cause == "chain_slipped")

    assert slipped("P0016") > slipped("P0016:pending")


def test_unknown_is_not_no() -> None:
    def oil(**entries: Any) -> float:
        seen = Observations.model_validate({"cams": ("1A",), "complaint": True, "oil": entries})
        return next(c.probability for c in judge_causes(Known(observations=seen)).causes if c.cause == "oil_control")

    assert oil(level="ok") < oil() < oil(level="low")


def test_codes_that_were_read_and_are_not_stored_speak_too() -> None:
    unread = judge_causes(known(0.0, 0.0, 0.0, 0.0))
    read = judge_causes(known(0.0, 0.0, 0.0, 0.0, codes_read=True))
    assert first(read, "1A").probability > first(unread, "1A").probability


# ------------------------------------------------------------------------------------------------- reasons and conflict


def test_weightiest_reason_for_a_slip_is_its_offset() -> None:
    top = first(judge_causes(known(PITCH_DEG, 0.0, 0.0, 0.0, codes=read_codes(["P0016"]))), "1A")
    assert top.reasons[0].text.startswith("1A sits 17.1 degrees late") and top.reasons[0].decibans > 10.0


def test_code_against_a_measured_cam_is_reported_as_a_conflict() -> None:
    found = judge_causes(known(0.0, 0.0, 0.0, 0.0, codes=read_codes(["P0016"])))
    assert in_conflict(found)
    assert any(text.startswith("P0016") for text in found.conflict.odd)
    against = [r for r in first(found, "1A").reasons if r.text.startswith("P0016")]
    assert against and against[0].decibans < 0.0


def test_evidence_of_one_mind_is_no_conflict() -> None:
    assert not in_conflict(judge_causes(known(PITCH_DEG, 0.0, 0.0, 0.0, codes=read_codes(["P0016"]))))


def test_weight_of_the_only_finding_is_its_likelihood_ratio() -> None:
    """ORIGIN: Good's definition, worked from the evidence of both sides."""
    weighed = weigh(Known(observations=Observations(cams=("1A",), complaint=True)))
    hypotheses, finding = weighed.hypotheses, weighed.findings[0]
    yes = hypotheses.main["1A"] == 0
    prior = np.exp(hypotheses.log_prior)
    like = np.exp(finding.log_likelihood)
    ratio = (prior[yes] @ like[yes] / prior[yes].sum()) / (prior[~yes] @ like[~yes] / prior[~yes].sum())
    found = judge_causes(Known(observations=Observations(cams=("1A",), complaint=True)))
    reason = first(found, "1A").reasons[0] if first(found, "1A").cause == "in_time" else None
    told = reason or next(c for c in found.causes if c.cause == "in_time").reasons[0]
    assert told.decibans == pytest.approx(10.0 * np.log10(ratio), abs=1e-6)
    assert log_evidence(hypotheses, [finding]) == pytest.approx(float(np.log(prior @ like)))


def test_what_would_change_the_first_cause_is_said_where_it_is_open() -> None:
    assert ": then " in judge_causes(Known(codes=read_codes(["P0016"]))).changes["1A"]
    assert judge_causes(known(PITCH_DEG, PITCH_DEG, 0.0, 0.0)).changes == {}


def test_measured_cam_takes_drive_and_reach_from_its_pattern() -> None:
    found = measured_cam(cam("1A", 1.0), pattern("1A", 30.0))
    assert (found.pitch_deg, found.authority_deg, found.seen) == (PITCH_DEG, 30.0, 0)


def test_causes_of_a_vehicle_take_less_than_0_3_s() -> None:
    given = known(PITCH_DEG, 0.3, 0.1, -0.2, codes=read_codes(["P0016", "P0300"]))
    judge_causes(given)
    started = time.process_time()
    for _ in range(3):
        judge_causes(given)
    assert (time.process_time() - started) / 3 < 0.3

"""What is said, and what must never be said."""

from __future__ import annotations

import json
import math
import pickle

import numpy as np
import pytest

from examinations import CALLS, STATES, Calls, examination
from tightside.diagnosis import CamSeen, CamVerdict, Diagnosis, RecordingPart, SpeedPart
from tightside.report import advice
from tightside.report.text import answers, describe_text, diagnosis_text, headline, verdict, with_words
from tightside.report.words import give_or_take, half_width, odds, short_name, signed, teeth_words


def test_headline_one_cam_slipped_names_bank_cam_teeth_and_side() -> None:
    assert headline(examination().diagnosis) == "Bank 1 intake cam (1A): slipped, one tooth late."


def test_headline_both_cams_of_a_bank_slipped_share_one_sentence() -> None:
    calls: Calls = {**CALLS, "1A": ("slipped", -34.4, 0.1, -2), "1B": ("slipped", -34.1, 0.1, -2)}
    said = headline(examination(calls).diagnosis)
    assert said == "Bank 1 intake cam (1A) and bank 1 exhaust cam (1B): probably slipped, two teeth early."
    assert "probably" not in headline(examination().diagnosis)  # one tooth there is surer than nine in ten


def test_headline_all_in_time_says_so_once() -> None:
    assert headline(examination(STATES["in time"]).diagnosis) == "All four cams are in time."


def test_headline_two_cams_in_time_are_both() -> None:
    calls: Calls = dict.fromkeys(("1A", "2A"), ("in time", 0.2, 0.1, 0))
    assert headline(examination(calls).diagnosis) == "Both cams are in time."


def test_headline_without_reference_says_cannot_tell() -> None:
    seen = Diagnosis(cams=(CamSeen(cam="1A", column="cam", edges_per_cycle=8, cycles=40),))
    assert headline(seen).startswith("Cannot tell")
    assert "--reference" in verdict(seen)


def test_headline_without_cams_says_cannot_tell() -> None:
    assert headline(Diagnosis()).startswith("Cannot tell")


@pytest.mark.parametrize("state", STATES)
def test_answers_every_state_worst_first_and_only_a_call_is_given_odds(state: str) -> None:
    found = answers(examination(STATES[state]).diagnosis)
    assert found[0].state == state
    for answer in found:
        assert bool(answer.sure) == all(cam.teeth_call is not None for cam in answer.cams)


@pytest.mark.parametrize("state", ["erratic", "off, not by a whole tooth", "no signal", "not enough data"])
def test_verdict_without_a_call_never_claims_teeth_for_that_cam(state: str) -> None:
    first = answers(examination(STATES[state]).diagnosis)[0]
    assert "tooth late" not in first.text
    assert "sure" not in first.text + first.sure


def test_verdict_slipped_holds_answer_odds_interval_pitch_and_steadiness() -> None:
    said = verdict(examination().diagnosis)
    for part in ("slipped, one tooth late", "More than 99 in 100", "17.3 degrees late", "±0.3", "17.1 crank", "steady"):
        assert part in said
    assert said.index("slipped") < said.index("More than 99") < said.index("17.3 degrees")


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.62, "62 in 100 sure"),
        (0.899, "89 in 100 sure"),
        (0.99, "99 in 100 sure"),
        (1.0, "more than 99 in 100 sure"),
    ],
)
def test_odds_are_never_rounded_up_nor_certain(probability: float, said: str) -> None:
    assert odds(probability) == said


@pytest.mark.parametrize("half", [0.04, 0.21, 0.3, 1.999])
def test_half_width_is_never_said_narrower_than_it_is(half: float) -> None:
    assert float(half_width((5.0 - half, 5.0 + half))) >= half - 1e-9


def test_words_for_teeth_and_signs() -> None:
    assert [teeth_words(n) for n in (-2, -1, 0, 1, 3)] == [
        "two teeth early",
        "one tooth early",
        "in time",
        "one tooth late",
        "three teeth late",
    ]
    assert [signed(v, 1) for v in (17.26, -0.2, -0.01)] == ["+17.3°", "−0.2°", "0.0°"]


def test_cam_names_follow_the_letters_of_sae_j2012() -> None:
    # SAE J2012: camshaft A is the intake or the only one of a bank, B the exhaust one (as general code pages read it).
    both = (CamSeen(cam="2A", column="x"), CamSeen(cam="2B", column="y"))
    assert [short_name(c.cam, both) for c in both] == ["bank 2 intake", "bank 2 exhaust"]
    assert short_name("1A", both[:1]) == "bank 1 camshaft"
    assert short_name("Channel 2", both) == "cam “Channel 2”"


@pytest.mark.parametrize("state", STATES)
def test_advice_every_state_has_a_next_test_and_cautions(state: str) -> None:
    told = with_words(examination(STATES[state]).diagnosis)
    assert told.next_tests and told.cautions and told.verdict
    assert all(test.minutes and test.why and test.source for test in told.next_tests)
    assert any("maker's service information" in caution for caution in told.cautions)


def test_cautions_after_a_slip_begin_with_valves_and_pistons() -> None:
    assert "may be touching" in advice.cautions(examination().diagnosis)[0]
    in_time = advice.cautions(examination(STATES["in time"]).diagnosis)
    assert not any("may be touching" in caution for caution in in_time)


def test_with_words_keeps_what_is_already_said() -> None:
    told = with_words(Diagnosis(verdict="Said elsewhere.", cautions=("Mind the fan.",)))
    assert told.verdict == "Said elsewhere."
    assert told.cautions == ("Mind the fan.",)


def test_diagnosis_text_gives_answer_then_odds_then_next_then_care() -> None:
    text = diagnosis_text(examination().diagnosis)
    places = [text.index(part) for part in ("one tooth late", "More than 99", "Next", "Take care")]
    assert places == sorted(places)
    assert max(map(len, text.splitlines())) <= 96


def test_describe_text_names_columns_roles_and_wheel() -> None:
    text = describe_text(examination().diagnosis)
    assert "wheel 60-2, 58 pulses a turn" in text
    assert "bank 2 exhaust cam (2B) (cam 2B): 8 edges a cycle" in text


# ---------------------------------------------------------------------------------------------------- the object


def test_diagnosis_json_holds_no_nan_and_reads_back_the_same() -> None:
    cam = CamVerdict(
        cam="1A",
        column="c",
        state="in time",
        offset_deg=math.nan,
        ci95_deg=(np.float64("nan"), 1.0),
        cycles=np.int64(3),
        edge_angles_deg=np.array([1.0, np.nan]),
    )
    whole = Diagnosis(cams=(cam,), recordings=(RecordingPart(file="r", rpm=SpeedPart(min=math.inf)),))
    values = json.loads(whole.to_json())
    assert "NaN" not in whole.to_json() and "Infinity" not in whole.to_json()
    assert values["cams"][0]["ci95_deg"] is None
    assert values["cams"][0]["edge_angles_deg"] == [1.0, None]
    assert Diagnosis.from_json(whole.to_json()) == whole


def test_diagnosis_json_has_the_fields_of_the_contract() -> None:
    values = with_words(examination().diagnosis).as_dict()
    assert values["schema"] == "tightside/diagnosis/1"
    assert "causes" not in values  # no evidence, no section
    recording = {"file", "kind", "duration_s", "rate_hz", "rows", "rpm", "channels", "warnings"}
    assert recording <= values["recordings"][0].keys()
    crank = {"column", "wheel", "pulses_per_revolution", "learned", "revolutions", "faults"}
    assert crank <= values["crank"].keys()
    cam = {
        "cam", "column", "edges_per_cycle", "cycles", "offset_deg", "ci95_deg", "scatter_deg", "tooth_pitch_deg",
        "teeth", "teeth_call", "state", "reference", "edge_angles_deg",
    }  # fmt: skip
    assert cam <= values["cams"][0].keys()
    assert values["cams"][0]["teeth"] == {"1": 0.994, "0": 0.004}
    assert "cycle_offset_deg" not in values["cams"][0]


def test_described_cam_has_neither_reference_nor_offset() -> None:
    values = Diagnosis(cams=(CamSeen(cam="1A", column="c"),)).as_dict()
    assert not {"offset_deg", "reference", "state", "teeth_call"} & values["cams"][0].keys()
    assert isinstance(Diagnosis.model_validate(values).cams[0], CamSeen)


def test_examination_pickles_with_its_arrays_read_only() -> None:
    copy = pickle.loads(pickle.dumps(examination()))
    assert copy.diagnosis == examination().diagnosis
    assert not copy.clock.times_s.flags.writeable


def test_diagnosis_keeps_fields_it_does_not_know() -> None:
    values = {**examination().diagnosis.as_dict(), "later": {"x": 1}}
    assert Diagnosis.model_validate(values).as_dict()["later"] == {"x": 1}


def test_remarks_become_sentences_and_are_said_once() -> None:
    recording = RecordingPart(file="r", warnings=("21 teeth gave no pulse", "21 teeth gave no pulse."))
    whole = examination().diagnosis.model_copy(update={"recordings": (recording,)})
    assert diagnosis_text(whole).count("  - 21 teeth gave no pulse.\n") == 1


def test_diagnosis_text_without_reference_still_says_what_is_in_it() -> None:
    seen = Diagnosis(cams=(CamSeen(cam="cam", column="cam", edges_per_cycle=8, cycles=40),))
    text = diagnosis_text(seen)
    assert text.startswith("Cannot tell") and "cam “cam”: 8 edges a cycle, 40 cycles" in text


def test_interval_to_one_side_is_said_as_two_ends() -> None:
    assert give_or_take(17.1, (16.8, 17.4)) == "±0.3"
    assert give_or_take(-21.2, (-21.4, 2.4)) == "−21.4° to +2.4°"

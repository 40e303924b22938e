"""Causes in words and in the report: disagreement and contradiction are said, quiet cams are not gone into."""

from __future__ import annotations

from dataclasses import replace

import pytest

from examinations import CALLS, Calls, examination
from tightside.diagnosis import CausePart, Diagnosis, EvidencePart, TestPart
from tightside.report import advice
from tightside.report.causes import cam_causes, chance, disagreements, quiet_words, weight_words
from tightside.report.html import render_html
from tightside.report.text import diagnosis_text, verdict, with_words

WHY = (EvidencePart(text="the oil pressure is low", decibans=12.0), EvidencePart(text="it is quiet", decibans=-6.0))


def caused(first: str, probability: float, calls: Calls = CALLS, **more: object) -> Diagnosis:
    causes = [
        CausePart(cause=first, cam="1A", probability=probability, present=probability, evidence=WHY),  # type: ignore[arg-type]
        CausePart(cause="phaser_stuck", cam="1A", probability=1.0 - probability, present=0.6),
        *(CausePart(cause="in_time", cam=cam, probability=0.97) for cam in ("1B", "2A", "2B")),
    ]
    return examination(calls).diagnosis.model_copy(update={"causes": tuple(causes), **more})


def test_verdict_says_where_causes_disagree_with_the_plain_state() -> None:
    said = verdict(caused("wrong_reference", 0.8))
    assert "1A by itself reads “slipped”" in said and "wrong reference likelier, 80 in 100" in said
    assert "because the oil pressure is low" in said


@pytest.mark.parametrize(("first", "probability"), [("chain_slipped", 0.9), ("wrong_reference", 0.4)])
def test_verdict_is_silent_where_causes_agree_or_are_unsure(first: str, probability: float) -> None:
    assert disagreements(caused(first, probability)) == ()


def test_contradictory_evidence_is_said_in_verdict_text_and_report() -> None:
    told = caused("chain_slipped", 0.9, conflicts=("P0016: a code says that crank and cam 1A do not agree",))
    for text in (verdict(told), diagnosis_text(told).replace("\n", " ")):
        assert "It does not fit with the rest that P0016 is stored" in text
    html = render_html(replace(examination(), diagnosis=told))
    assert "does not fit with the rest" in html and "What is behind it" in html


def test_cams_in_time_are_named_in_one_line() -> None:
    told = caused("chain_slipped", 0.9)
    assert [c.cam for c in cam_causes(told)] == ["1A"]
    assert quiet_words(told) == "1B, 2A and 2B: in time, at least 97 in 100."
    assert "Probably there as well: stuck phaser 60 in 100." in diagnosis_text(told)


def test_reasons_are_given_with_their_weight_for_and_against() -> None:
    shown = cam_causes(caused("chain_slipped", 0.9))[0].causes[0]
    assert shown.pro == ("the oil pressure is low (strong)",) and shown.contra == ("it is quiet (fair)",)


def test_chance_is_never_said_to_be_certain_or_none() -> None:
    assert (chance(0.9999), chance(0.0001), chance(0.744)) == ("more than 99 in 100", "1 in 100", "74 in 100")
    assert [weight_words(d) for d in (-25.0, 12.0, 6.0, 2.0)] == ["decisive", "strong", "fair", "slight"]


def test_proposed_tests_come_with_their_caution_and_before_plain_advice() -> None:
    proposed = TestPart(test="Crank it.", minutes=15, why="It shows.", expected_gain=30.0, cautions=("Mind the fan.",))
    told = with_words(caused("chain_slipped", 0.9, next_tests=(proposed,)))
    assert told.next_tests is not None and told.next_tests[0].test == "Crank it."
    assert len(told.next_tests) == advice.MOST
    assert "Mind the fan." in diagnosis_text(told)


def test_plain_advice_comes_first_where_the_recording_falls_short() -> None:
    calls: Calls = {**CALLS, "1A": ("not enough data", None, None, None)}
    proposed = TestPart(test="Crank it.", minutes=15, why="It shows.", expected_gain=30.0)
    told = with_words(caused("in_time", 0.5, calls, next_tests=(proposed,)))
    assert told.next_tests is not None and told.next_tests[0].test.startswith("Record again")


def test_suspected_slip_warns_of_touching_valves_first() -> None:
    only = Diagnosis(causes=(CausePart(cause="chain_slipped", cam="1A", probability=0.5),))
    assert advice.cautions(only)[0] == advice.TOUCHING
    assert advice.cautions(Diagnosis())[0] != advice.TOUCHING


def test_plain_advice_is_not_repeated_after_a_proposed_test_that_says_the_same() -> None:
    proposed = TestPart(test="Take off the cam cover of bank 1, and look.", minutes=120, why="x", expected_gain=30.0)
    told = with_words(caused("chain_slipped", 0.9, next_tests=(proposed,)))
    assert not [t for t in told.next_tests or () if t.test.startswith(("Turn the engine to its marks", "Check chain"))]

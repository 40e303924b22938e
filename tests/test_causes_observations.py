"""Observations from YAML, tools of the shop, tests worth doing, and the way through the command line."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tightside.causes.evidence import Known, weigh
from tightside.causes.hypotheses import Layout, hypotheses_for
from tightside.causes.infer import posterior_of
from tightside.causes.next_tests import TESTS, decision_cost_min, job_table, rank_tests, recording_groups
from tightside.causes.numbers import SIGNS
from tightside.causes.observations import Observations, observations_from_text, read_observations
from tightside.causes.observed import RESULT_SIGNS
from tightside.causes.tools import TOOLS, known_tools
from tightside.causes.weigh import done_already, judge_causes
from tightside.cli import main
from tightside.codes.read import read_codes
from tightside.errors import DataError, UsageError

WHOLE = """
schema: tightside/observations/1
cams: [1A, 1B, 2A, 2B]
mileage_km: 180000
starts: yes
failed: suddenly
cold_rattle_s: 4
drive_noise: no
oil: {level: low, pressure_kpa: 70, condition: sludge, leak_at_cover: yes, metal: no, plastic: yes}
recent_work: [timing, sensors]
compression_kpa: {1: 900, 2: 1250, 3: 920, 4: 1240}
leak_down_percent: {1: 30, 2: 8}
bank_of_cylinder: {1: 1, 2: 2, 3: 1, 4: 2}
codes_read: yes
results:
  marks_off: {1A: yes}
  chain_slack: {1: yes}
  phaser_follows: {2A: yes}
tools: [scope, hand tools]
"""


def test_observations_whole_file_is_read() -> None:
    seen = observations_from_text(WHOLE)
    assert seen.cold_rattle_s == 4 and seen.starts is True and seen.drive_noise is False
    assert seen.results.chain_slack == {"1": True} and seen.bank_of_cylinder[2] == "2"
    assert seen.distance_km == 180_000


def test_observations_empty_file_says_nothing() -> None:
    assert not observations_from_text("").any_given
    assert not observations_from_text("schema: tightside/observations/1").any_given
    assert observations_from_text("starts:").starts is None


def test_observations_path_equals_stream(tmp_path: Path) -> None:
    path = tmp_path / "seen.yaml"
    path.write_text(WHOLE, encoding="utf-8")
    binary = io.BytesIO(WHOLE.encode())
    assert read_observations(path) == read_observations(io.StringIO(WHOLE)) == read_observations(binary)


@pytest.mark.parametrize(
    ("text", "line", "part"),
    [
        ("starts: yes\nratle: 4\n", 2, "no such entry"),
        ("cold_rattle_s: four\n", 1, "number without a unit"),
        ("starts: yes\noil:\n  level: lowish\n", 3, "oil.level"),
        ("starts: perhaps\n", 1, "yes or no"),
        ("cold_rattle_s: -1\n", 1, "0 or more"),
        ("results:\n  marks_off:\n    front: yes\n", 3, "bank and letter"),
        ("recent_work: [none, timing]\n", 1, "none"),
        ("starts: [yes\n", 2, "brackets"),
        ("- a\n- b\n", 1, "group"),
        ("tools: [sonic screwdriver]\n", 1, "sonic"),
        ("mileage_km: 1\nmileage_miles: 2\n", 1, "twice"),
        ("schema: tightside/observations/9\n", 1, "schema"),
    ],
)
def test_observations_mistake_names_line_and_mend(text: str, line: int, part: str) -> None:
    with pytest.raises(DataError) as caught:
        observations_from_text(text, "seen.yaml")
    assert f"seen.yaml line {line}:" in str(caught.value) and part in str(caught.value)


def test_observations_missing_file_is_said_to_be_missing() -> None:
    with pytest.raises(UsageError, match="no observations file"):
        read_observations("no/such.yaml")


def test_every_entry_of_the_results_is_a_sign_and_a_test_reads_it() -> None:
    from tightside.causes.observations import Results

    assert set(Results.model_fields) == set(RESULT_SIGNS)
    read = {sign for test in TESTS for sign in test.signs}
    assert read <= set(SIGNS)
    assert {sign for sign, _ in RESULT_SIGNS.values()} <= read


def test_every_observation_becomes_a_finding() -> None:
    weighed = weigh(Known(observations=observations_from_text(WHOLE)))
    names = {f.name for f in weighed.findings}
    for name in ("rattle", "no_start", "sudden", "oil_level_low", "oil_pressure_low", "plastic_in_oil", "mileage"):
        assert name in names
    assert {"bank_weak:1", "bank_weak:2", "marks_off:1A", "chain_slack:1", "does_not_follow:2A"} <= names
    assert all(np.isfinite(f.log_likelihood).all() for f in weighed.findings)


def test_observations_that_all_point_one_way_lead_there() -> None:
    found = judge_causes(Known(observations=observations_from_text(WHOLE)))
    top = next(c for c in found.causes if c.cam == "1A")
    assert top.cause == "chain_slipped" and top.probability > 0.8
    assert next(c for c in found.causes if c.cam == "2A").cause != "chain_slipped"


# --------------------------------------------------------------------------------------------------------- next tests


def ranked(codes: str, tools: frozenset[str] = frozenset(TOOLS), **seen: Any) -> Any:
    weighed = weigh(Known(codes=read_codes(codes.split()), observations=Observations(cams=("1A", "1B"), **seen)))
    posterior = posterior_of(weighed.hypotheses, weighed.findings)
    return rank_tests(weighed.hypotheses, posterior, tools, done_already(weighed.findings))


def test_next_tests_are_ranked_by_gain_for_each_minute() -> None:
    worth = [s.gain_per_minute for s in ranked("P0016")]
    assert worth == sorted(worth, reverse=True) and worth[0] > 0.0


def test_next_tests_need_no_tool_that_the_shop_has_not() -> None:
    for suggestion in ranked("P0016", frozenset({"hand tools"})):
        assert set(suggestion.test.tools) <= {"hand tools"}
    assert any("Record crank" in s.text for s in ranked("P0016", frozenset({"scope"})))


def test_next_tests_leave_out_what_is_known_already() -> None:
    before = {s.text for s in ranked("P0016")}
    after = {s.text for s in ranked("P0016", cold_rattle_s=0.0)}
    assert before - after == {t for t in before if t.startswith("Listen at a cold start")}


def test_no_test_is_worth_more_than_knowing_everything() -> None:
    weighed = weigh(Known(codes=read_codes(["P0016"]), observations=Observations(cams=("1A", "1B"))))
    hypotheses = weighed.hypotheses
    posterior = posterior_of(hypotheses, weighed.findings)
    _, needed, needless, missed = job_table(hypotheses)
    now = float(decision_cost_min((posterior[:, None] * needed).sum(axis=0), np.array(1.0), needless, missed))
    for suggestion in rank_tests(hypotheses, posterior, frozenset(TOOLS), frozenset()):
        assert 0.0 <= suggestion.expected_gain_min <= now


def test_worth_of_a_test_is_the_cost_before_less_the_cost_after() -> None:
    """ORIGIN: expected value of sample information worked by hand for one job and one sign of two results."""
    p, hit, false, needless, missed = 0.3, 0.9, 0.1, 100.0, 500.0
    before = min((1 - p) * needless, p * missed)
    yes, no = p * hit + (1 - p) * false, p * (1 - hit) + (1 - p) * (1 - false)
    after = min((yes - p * hit) * needless, p * hit * missed)
    after += min((no - p * (1 - hit)) * needless, p * (1 - hit) * missed)
    costs = [
        float(decision_cost_min(np.array([m]), np.array(t), np.array([needless]), np.array([missed])))
        for m, t in ((p, 1.0), (p * hit, yes), (p * (1 - hit), no))
    ]
    assert costs[0] == pytest.approx(before)
    assert costs[1] + costs[2] == pytest.approx(after)
    assert before - after == pytest.approx(70.0 - 7.0 - 15.0)


def test_engine_that_may_touch_its_valves_is_not_to_be_run_for_a_test() -> None:
    slipped = {s.text: s.expected_gain_min for s in ranked("P0016 P0017 P0008", failed="suddenly")}
    for text, gain in slipped.items():
        if text.startswith(("Listen", "Measure oil pressure")):
            assert gain == 0.0, text


def test_tests_that_turn_the_engine_carry_a_caution() -> None:
    for test in TESTS:
        assert bool(test.turns) == bool(test.cautions), test.text
        assert set(test.tools) <= set(TOOLS) and test.minutes > 0 and test.why


def test_recording_tells_slipped_from_worn_from_loose() -> None:
    hypotheses = hypotheses_for(Layout(("1A", "1B"), ("1A", "1B")))
    groups = recording_groups(hypotheses)
    single = hypotheses.present.sum(axis=1) == 1

    def group(kind: str, place: str) -> int:
        return int(groups[single & hypotheses.column(kind, place)][0])

    seen = [group("chain_slipped", "1"), group("chain_worn", "1"), group("phaser_loose", "1A")]
    assert len(set(seen)) == 3
    assert group("phaser_stuck", "1A") == group("oil_valve", "1A")


def test_unknown_tool_is_refused_with_the_known_ones() -> None:
    with pytest.raises(UsageError, match="scope"):
        known_tools(["laser"])
    assert known_tools(["Scope", " hand  tools"]) == {"scope", "hand tools"}


# ------------------------------------------------------------------------------------------------------- command line


def told(capsys: Any, *arguments: str) -> dict[str, Any]:
    assert main.run(["diagnose", *arguments, "--json", "-"]) == 0
    out: dict[str, Any] = json.loads(capsys.readouterr().out)
    return out


def test_diagnose_from_observations_alone(tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "seen.yaml"
    path.write_text(WHOLE, encoding="utf-8")
    result = told(capsys, "--observations", str(path))
    assert result["causes"][0]["because"] and result["verdict"] and result["cautions"]
    for name in ("1A", "1B", "2A", "2B"):
        assert sum(c["probability"] for c in result["causes"] if c["cam"] == name) == pytest.approx(1.0)
    for test in result["next_tests"]:
        assert set(test.get("tools", ())) <= {"scope", "hand tools"}


def test_diagnose_from_codes_alone_proposes_a_recording_first(capsys: Any) -> None:
    result = told(capsys, "--codes", "P0016")
    assert "Record crank and cam sensors" in result["next_tests"][0]["test"]
    assert result["next_tests"][0]["expected_gain"] > 0
    assert result["codes"][0]["code"] == "P0016"


def test_diagnose_in_words_gives_causes_and_says_what_would_change_them(capsys: Any) -> None:
    assert main.run(["diagnose", "--codes", "P0016,P0018"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("Without a recording") and "Causes" in out and "This would change it" in out


def test_diagnose_with_an_unknown_tool_is_refused_in_one_line(capsys: Any) -> None:
    assert main.run(["diagnose", "--codes", "P0016", "--tools", "laser"]) == 2
    assert "scope" in capsys.readouterr().err


def test_diagnose_takes_tools_from_a_file(tmp_path: Path, capsys: Any) -> None:
    path = tmp_path / "shop.txt"
    path.write_text("tools:\n- hand tools\n- multimeter  # the yellow one\n", encoding="utf-8")
    result = told(capsys, "--codes", "P0016", "--tools", str(path))
    proposed = [t for t in result["next_tests"] if t.get("expected_gain") is not None]
    assert proposed and all(set(t["tools"]) <= {"hand tools", "multimeter"} for t in proposed)


def test_diagnose_with_nothing_at_all_is_refused(capsys: Any) -> None:
    assert main.run(["diagnose"]) == 2
    assert "RECORDING" in capsys.readouterr().err

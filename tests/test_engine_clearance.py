"""Clearance of whole engines: the rows, the estimates, the words, the command."""

import json
from pathlib import Path

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from tightside.cli import clearance
from tightside.engine.contacts import clearances_as_json, clearances_of, contacts_from_offset
from tightside.engine.lift import LiftCurve
from tightside.engine.load import engine_from_text, read_engine
from tightside.engine.model import Phaser
from tightside.engine.slider_crank import CylinderGeometry
from tightside.engine.valve_train import curve_of_valve, train_of_valve
from tightside.errors import UsageError

V6 = (Path(__file__).parent.parent / "src/tightside/engine/shipped/demo-v6.yaml").read_text(encoding="utf-8")

app = typer.Typer()
app.command()(clearance.run)


@pytest.fixture(scope="module")
def v6():
    return clearances_of(read_engine("demo-v6"))


def row(result, cam, valve, teeth):
    return next(r for r in result.rows if (r.cam, r.valve, r.teeth) == (cam, valve, teeth))


def test_every_cam_has_a_row_for_every_tooth(v6):
    assert [(r.cam, r.teeth) for r in v6.rows] == [(c, t) for c in ("1A", "1B", "2A", "2B") for t in range(-4, 5)]
    assert row(v6, "1A", "intake", 1).offset_deg == pytest.approx(720 / 42)


def test_cam_for_both_kinds_has_rows_for_both():
    result = clearances_of(read_engine("demo-i4"))
    assert len(result.rows) == 18
    assert {r.valve for r in result.rows} == {"intake", "exhaust"}


def test_demo_v6_is_clear_in_time_and_touches_two_teeth_off(v6):
    in_time = [r.worst.probability for r in v6.rows if r.teeth == 0]
    assert max(in_time) < 1e-6
    assert row(v6, "1B", "exhaust", 2).contact.probability > 0.5
    assert row(v6, "2A", "intake", -2).worst.probability > 0.9
    assert row(v6, "2A", "intake", -3).contact.probability > 0.5
    first = next(f for f in v6.first_touch if f.cam == "1B")
    assert first.late_teeth == 2


def test_first_touch_is_the_first_row_without_a_gap(v6):
    for first in v6.first_touch:
        gone = [r.teeth for r in v6.rows if r.cam == first.cam and r.teeth > 0 and r.contact.gap_mm <= 0]
        assert gone == [] or min(gone) == first.late_teeth
        gone = [r.teeth for r in v6.rows if r.cam == first.cam and r.teeth < 0 and r.contact.gap_mm <= 0]
        assert gone == [] or max(gone) == first.early_teeth


def test_banks_are_alike_and_come_nearest_a_firing_interval_apart(v6):
    one, two = row(v6, "1B", "exhaust", 2), row(v6, "2B", "exhaust", 2)
    assert one.contact == two.contact
    at = dict(one.closest_deg) | dict(two.closest_deg)
    assert sorted(at) == [1, 2, 3, 4, 5, 6]
    assert (at[2] - at[1]) % 720 == pytest.approx(120, abs=0.01)


def test_phaser_that_advances_brings_intake_nearer_only(v6):
    assert all(r.phaser.gap_mm <= r.contact.gap_mm + 1e-9 for r in v6.rows if r.phaser is not None)
    retards = engine_from_text(V6.replace("direction: advance", "direction: retard"))
    late = row(clearances_of(retards), "1A", "intake", -2)
    assert late.phaser.gap_mm == pytest.approx(late.contact.gap_mm)


def test_slip_passes_through_everything_on_its_way(v6):
    for r in v6.rows:
        assert r.passing_gap_mm <= min(r.contact.gap_mm, row(v6, r.cam, r.valve, 0).contact.gap_mm) + 1e-6


def test_two_stage_drive_lists_the_first_stage_too():
    stages = "- {driver_teeth: 24, driven_teeth: 36}\n      - {driver_teeth: 24, driven_teeth: 32}"
    one = "- {driver_teeth: 21, driven_teeth: 42, pitch_mm: 8.0, links: 138}"
    result = clearances_of(engine_from_text(V6.replace(one, stages)))
    assert row(result, "1A", "intake", 1).offset_deg == pytest.approx(22.5)
    first = [r for r in result.other_stages if r.cam == "1A"]
    assert {r.stage for r in first} == {1}
    assert next(r for r in first if r.teeth == 1).offset_deg == pytest.approx(15.0)


def test_measured_offset_carries_its_error():
    engine = read_engine("demo-i4")
    sharp = {r.valve: r.contact for r in contacts_from_offset(engine, "1A", 36.0, 0.1)}
    blunt = {r.valve: r.contact for r in contacts_from_offset(engine, "1A", 36.0, 6.0)}
    assert set(sharp) == {"intake", "exhaust"}
    assert np.ptp(blunt["exhaust"].gap_ci95_mm) > 1.5 * np.ptp(sharp["exhaust"].gap_ci95_mm)


def test_cautions_say_not_to_crank_where_contact_is_likely(v6):
    said = " ".join(v6.cautions)
    assert "Cam 1B: exhaust valves may meet pistons from 2 teeth late on. Do not crank" in said
    assert "Never crank or run an engine whose valves may be touching" in said
    assert "maker's service information" in said


def test_engine_that_never_touches_is_not_warned_of():
    free = V6.replace("deck_clearance_mm: 0.9", "deck_clearance_mm: 15.0")
    assert not any("may meet" in text for text in clearances_of(engine_from_text(free)).cautions)


# ------------------------------------------------------------------------------------------------------ estimates

LEFT_OUT = {
    "rod": ("rod_mm: 147.0, ", "", "geometry.rod_mm"),
    "deck": ("deck_clearance_mm: 0.9\n", "", "deck_clearance_mm"),
    "pocket": ("    pocket_depth_mm: 1.6\n", "", "valves.intake.pocket_depth_mm"),
    "recess": (
        "    recess_mm: 0.5\n    pocket_depth_mm: 1.6\n",
        "    pocket_depth_mm: 1.6\n",
        "valves.intake.recess_mm",
    ),
    "tilt": ("    inclination_deg: 17.0\n", "", "valves.intake.inclination_deg"),
    "opens": ("    opens_deg: 366.0\n", "", "valves.intake.opens_deg"),
    "lift": ("    max_lift_mm: 9.8\n", "", "valves.intake.max_lift_mm"),
}


@pytest.mark.parametrize(("before", "after", "name"), LEFT_OUT.values(), ids=LEFT_OUT)
def test_what_is_left_out_is_estimated_widely_and_said(v6, before, after, name):
    assert before in V6
    result = clearances_of(engine_from_text(V6.replace(before, after)))
    assert any(text.startswith(f"{name} is not in the file: took ") for text in result.assumed)
    known, guessed = row(v6, "1A", "intake", -3).contact, row(result, "1A", "intake", -3).contact
    assert np.ptp(guessed.gap_ci95_mm) > np.ptp(known.gap_ci95_mm)
    assert guessed.gap_ci95_mm[0] < known.gap_mm < guessed.gap_ci95_mm[1]


def test_engine_without_valves_or_geometry_gets_a_wide_answer():
    bare = V6[: V6.index("valves:")].replace(next(x for x in V6.splitlines() if x.startswith("geometry")), "")
    result = clearances_of(engine_from_text(bare))
    assert len(result.rows) == 36
    assert any("geometry.stroke_mm" in text for text in result.assumed)
    contact = row(result, "1A", "intake", -2).contact
    assert np.ptp(contact.gap_ci95_mm) > 3.5
    assert 0.02 < contact.probability < 0.98


# ORIGIN: plain drawing of the guessed things together, each engine's least gap worked out on its own.
def test_spread_from_estimates_matches_drawing_them():
    text = V6.replace("rod_mm: 147.0, ", "").replace("    opens_deg: 366.0\n", "").replace("    max_lift_mm: 9.8\n", "")
    curve = curve_of_valve(engine_from_text(text), "intake", Phaser(authority_deg=30.0, direction="advance"))
    guess = {g.name.split(".")[-1]: g for g in curve.guesses}
    rng = np.random.default_rng(3)
    theta = np.arange(340.0, 400.0, 0.5)
    gaps = []
    for z in rng.standard_normal((4000, 3)):
        rod = guess["rod_mm"].value + guess["rod_mm"].sd * z[0]
        opens = guess["opens_deg"].value + guess["opens_deg"].sd * z[1]
        top = guess["max_lift_mm"].value + guess["max_lift_mm"].sd * z[2]
        phi, a = np.radians(theta) + np.arcsin(0.6 / (rod + 41.45)), 41.45
        x = np.sqrt((rod + a) ** 2 - 0.36) - a * np.cos(phi) - np.sqrt(rod**2 - (a * np.sin(phi) - 0.6) ** 2)
        share = np.clip((theta + 45.0 - opens) / (610.0 - opens), 0, 1)
        gaps.append((3.0 + x - top * np.sin(np.pi * share) ** 2 * np.cos(np.radians(17.0))).min())
    sd = float(np.sqrt(np.var(gaps) + 0.25**2))
    assert curve.sd_at(np.array([-45.0]))[0] == pytest.approx(sd, rel=0.08)


def test_unknown_pocket_leaves_the_usual_gap_over_the_phasers_travel():
    phaser = Phaser(authority_deg=30.0, direction="advance")
    engine = engine_from_text(V6.replace("    pocket_depth_mm: 1.6\n", ""))
    curve = curve_of_valve(engine, "intake", phaser)
    assert curve.gap_at(np.arange(-30.0, 0.5, 0.5)).min() == pytest.approx(2.0, abs=1e-6)
    train = train_of_valve(engine, "intake", phaser)
    assert isinstance(train.curve, LiftCurve)
    assert isinstance(train.geometry, CylinderGeometry)


# --------------------------------------------------------------------------------------------------- command line


def test_clearance_verb_writes_the_contract():
    result = CliRunner().invoke(app, ["--engine", "demo-v6", "--json", "-", "--by-degree"])
    found = json.loads(result.stdout)
    assert len(found["contact"]) == 36
    for entry in found["contact"] + found["by_degree"]:
        assert {"cam", "valve", "teeth", "gap_mm", "gap_ci95_mm", "probability"} <= entry.keys()
        assert entry["gap_ci95_mm"][0] < entry["gap_mm"] < entry["gap_ci95_mm"][1]
        assert 0 <= entry["probability"] <= 1
    degrees = [e["offset_deg"] for e in found["by_degree"] if e["cam"] == "2B"]
    assert degrees == list(range(-90, 91))


def test_clearance_verb_says_teeth_chance_and_caution():
    text = CliRunner().invoke(app, ["--engine", "demo-v6", "--offset", "1B=34.3:1"]).stdout
    assert "2 teeth late" in text
    assert "CAUTION: Cam 1B as measured: exhaust valves may meet pistons" in text


@pytest.mark.parametrize("offset", ["1C=3", "1A=x", "1A=nan", "1A=17:-1", "1A"])
def test_clearance_verb_refuses_an_offset_that_makes_no_sense(offset):
    result = CliRunner().invoke(app, ["--engine", "demo-v6", "--offset", offset])
    assert isinstance(result.exception, UsageError)
    assert "--offset" in str(result.exception)


def test_clearance_of_a_file_without_cams_says_so():
    wheel = "{wheel: {teeth: 36}, position_0_deg: 0, active_edge: rising}"
    bare = engine_from_text(f"schema: tightside/engine/1\nname: w\ncrank_sensor: {wheel}\n")
    found = clearances_as_json(clearances_of(bare))
    assert found["contact"] == []
    assert "no cams" in found["notes"][0]

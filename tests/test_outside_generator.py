"""The outside generator itself: same seed, same case; every disturbance occurs; its truth is what its files show."""

from __future__ import annotations

import importlib
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from outside.engines import WHEELS, draw_engine, stage_pitches_deg, wheel_positions_deg, wheel_repeat_deg
from outside.faults import SCENES, draw_faults
from outside.generator import Case, Setting, draw_case, draw_nasty, draw_wire
from outside.motion import KINDS, Motion, draw_motion
from outside.recorders import converted, filtered, level_voltage
from outside.sensors import Nasty, Toggles, coil, coil_toggles, crank_wheel, real_edges_deg

CASES = range(24)


def table(case: Case) -> dict[str, np.ndarray]:
    """Columns of a case's file, by role; the first one is "time"."""
    lines = [line for line in case.csv_text.replace("\r", "").split("\n") if line and not line.startswith("(")]
    sep = next(s for s in (";", "\t", ",") if s in lines[0])
    body = "\n".join(lines[1:]).replace(",", "." if sep == ";" else ",")
    values = np.loadtxt(io.StringIO(body), delimiter=sep, ndmin=2)
    by_column = dict(zip(lines[0].split(sep), values.T, strict=True))
    return {"time": values[:, 0], **{r: by_column[c] for r, c in case.details["columns"].items()}}


def changes(times: np.ndarray, levels: np.ndarray, edge: str) -> np.ndarray:
    step = np.diff(levels) * (1 if edge == "rising" else -1)
    return times[1:][step > 0]


def naive_offset_deg(case: Case, cam: str, near_deg: float) -> float:
    """Gap by interval ratio, straight lines between teeth, each cam edge to the nearest expected one, mean."""
    columns, sensor = table(case), case.engine["crank_sensor"]
    teeth = changes(columns["time"], columns["crank"], sensor["active_edge"])
    interval = np.diff(teeth)
    after_gap = np.flatnonzero(interval[1:-1] > 1.7 * np.minimum(interval[:-2], interval[2:])) + 2
    wheel = wheel_positions_deg(case.engine)
    at = np.arange(len(teeth)) - after_gap[0]
    angle = wheel[at % len(wheel)] + 360.0 * (at // len(wheel))
    found = []
    for edge in case.engine["cams"][cam]["sensor"]["edges"]:
        when = changes(columns["time"], columns[f"cam:{cam}"], edge["edge"])
        when = when[(when > teeth[0]) & (when < teeth[-1])]
        off = np.interp(when, teeth, angle) - edge["deg"] - near_deg
        off = (off + 180) % 360 - 180  # which turn of the cycle it is does not matter here
        found += [off[np.abs(off) < 8].mean()] if np.any(np.abs(off) < 8) else []
    return near_deg + float(np.mean(found))


# ---------------------------------------------------------------------------------------------------- the whole case


def test_case_same_seed_same_bytes() -> None:
    a, b, c = draw_case(7), draw_case(7), draw_case(8)
    assert (a.csv_text, a.engine, a.truth) == (b.csv_text, b.engine, b.truth)
    assert a.csv_text != c.csv_text


@pytest.mark.parametrize("seed", CASES)
def test_case_any_seed_is_whole(seed: int) -> None:
    case = draw_case(seed)
    columns = table(case)
    assert np.all(np.diff(columns["time"]) > 0)
    assert set(columns) == {"time", "crank", *(f"cam:{c}" for c in case.truth["cams"])}
    assert set(case.truth["cams"]) <= set(case.engine["cams"])
    for cam, truth in case.truth["cams"].items():
        assert truth["callable"] == (truth["reason"] == "")
        if truth["callable"]:
            assert not truth["erratic"]
            assert abs(truth["offset_deg"] / stage_pitches_deg(case.engine["cams"][cam])[-1] - truth["teeth"]) < 0.5
    if case.kind == "edges":
        assert all(set(np.unique(v)) <= {0, 1} for r, v in columns.items() if r != "time")


def test_case_clean_naive_decoder_finds_truth() -> None:
    compared = []
    for seed in range(120):
        case = draw_case(seed, clean=True, scene="slip" if seed % 2 else "healthy")
        wheel = case.engine["crank_sensor"]["wheel"]
        if wheel.get("teeth", 0) < 36 or len(wheel["missing"]) not in (1, 2):
            continue
        for cam, truth in case.truth["cams"].items():
            compared.append(naive_offset_deg(case, cam, truth["offset_deg"] + 0.5) - truth["offset_deg"])
        if len(compared) >= 24:
            break
    assert len(compared) >= 24
    assert np.max(np.abs(compared)) < 0.1


@pytest.mark.parametrize("seed", range(100, 112))
def test_slip_whole_teeth_give_offset_of_drive(seed: int) -> None:
    case = draw_case(seed, clean=True, scene="slip")
    slipped = 0
    for cam, truth in case.truth["cams"].items():
        stages = case.engine["cams"][cam]["drive"]
        if truth["teeth"] is None or len(stages) > 1:
            continue
        expected = truth["teeth"] * 720 / stages[0]["driven_teeth"] + truth["wear_deg"] + truth["mounting_deg"]
        assert truth["offset_deg"] == pytest.approx(expected, abs=1e-6)
        slipped += truth["teeth"] != 0
    assert slipped <= 1


def test_wheel_moved_all_cams_off_alike_and_not_callable() -> None:
    case = draw_case(5, clean=True, scene="wheel moved")
    for truth in case.truth["cams"].values():
        assert truth["offset_deg"] == pytest.approx(truth["mounting_deg"] - case.truth["wheel_moved_deg"], abs=1e-6)
        assert not truth["callable"]


def test_loose_cam_spread_makes_it_erratic() -> None:
    truths = [t for s in range(20) for t in draw_case(s, scene="loose").truth["cams"].values()]
    loose = [t for t in truths if t["moves"] != "steady" and t["cycles"] >= 8]
    still = [t for t in truths if t["moves"] == "steady" and t["cycles"] >= 8]
    assert np.mean([t["erratic"] for t in loose]) > 0.8
    assert not any(t["erratic"] for t in still)
    assert max(t["spread_deg"] for t in still) < 0.8


# ------------------------------------------------------------------------------------------------ what can be drawn


def setting(seed: int, mode: str) -> Setting:
    rng = np.random.default_rng(seed)
    engine = draw_engine(rng)
    times = np.arange(0, 1.0, 1e-3)
    motion = Motion(times, 1200.0 * times, mode)
    return Setting(rng, engine, motion, ["motion: from rest"], harsh=True)


def test_disturbances_every_class_appears() -> None:
    seen = set()
    for seed in range(150):
        at = setting(seed, "running" if seed % 2 else "cranking")
        for role, kind in (("crank", "hall"), ("crank", "vr"), ("cam:1A", "hall")):
            draw_nasty(at, role, kind)
        draw_wire(at)
        seen |= {n.split(": ")[-1] for n in at.notes}
    assert seen == {
        *("slow rise", "missing pulses", "swapped polarity", "bent tooth", "noisy wheel", "extra pulses"),
        *("stretched pulses", "chatter at the start", "mains hum", "ignition spikes", "starter brushes"),
        *("ground shifts", "few bits", "clock jitter", "AC coupled", "from rest"),
    }


def test_motion_every_kind_appears_and_never_turns_back() -> None:
    seen = set()
    for seed in range(45):
        rng = np.random.default_rng(seed)
        motion = draw_motion(rng, draw_engine(rng), 1.6)
        assert np.all(np.diff(motion.theta_deg) > 0)
        seen |= {n for n in motion.notes if n.startswith("motion")}
    assert seen == {f"motion: {k}" for k, _ in KINDS}


def test_scenes_each_says_what_it_did() -> None:
    rng = np.random.default_rng(1)
    while sorted((engine := draw_engine(rng))["cams"]) != ["1A", "1B", "2A", "2B"]:
        pass
    motion = setting(1, "running").motion
    for scene in SCENES:
        faults = draw_faults(rng, engine, ["1A", "1B", "2A", "2B"], motion, scene)
        changed = [f for f in faults.cams.values() if f.notes]
        expected = scene not in ("healthy", "wheel moved", "no crank", "controlled")
        assert bool(changed) or not expected, scene


def test_engines_every_wheel_and_cam_count_appears() -> None:
    engines = [draw_engine(np.random.default_rng(s)) for s in range(400)]
    marks = {len(wheel_positions_deg(e)) for e in engines}
    assert marks == {len(w.get("edges_deg") or range(w["teeth"] - len(w["missing"]))) for _, _, w in WHEELS}
    assert {len(e["cams"]) for e in engines} == {1, 2, 3, 4}
    assert {wheel_repeat_deg(e) for e in engines} == {360.0, 180.0, 120.0, 15.0}
    for engine in engines:
        for cam in engine["cams"].values():
            ratio = np.prod([s["driver_teeth"] / s["driven_teeth"] for s in cam["drive"]])
            assert ratio == pytest.approx(0.5)
            edges = [e["deg"] for e in cam["sensor"]["edges"]]
            assert edges == sorted(edges) and edges[0] >= 0 and edges[-1] < 720


# ----------------------------------------------------------------------------------------------- sensors and wires


def test_open_collector_rises_slowly_and_falls_fast() -> None:
    volts = level_voltage(Toggles(np.array([1e-3, 3e-3]), 0), np.arange(0, 5e-3, 1e-6), 0.2, 4.8, 1e-4, 2e-6)
    rise = np.flatnonzero((volts > 0.2 + 0.46) & (volts < 4.8 - 0.46))
    assert volts[990] == pytest.approx(0.2) and volts[2990] == pytest.approx(4.8)
    assert np.sum(rise < 2000) == pytest.approx(100, abs=3)  # 10 to 90 % takes rise_s
    assert np.sum(rise > 2000) <= 3


def test_field_falls_edges_of_the_two_polarities_move_apart() -> None:
    rng = np.random.default_rng(0)
    engine = draw_engine(rng)
    wheel = crank_wheel(rng, engine)
    begin, end = real_edges_deg(rng, wheel, Nasty(field=0.2, flank_deg=0.6))
    moved_in, moved_out = begin - wheel.begin_deg, end - wheel.end_deg
    assert np.allclose(moved_in, -moved_out)
    assert 0.01 < np.max(np.abs(moved_in)) < 0.5


def test_coil_falls_through_rest_at_each_tooth_and_grows_with_speed() -> None:
    rng = np.random.default_rng(0)
    teeth = np.arange(0, 348, 6.0)
    made = coil(rng, teeth, 360.0, 1.5, Nasty())
    phase = np.arange(0, 360, 0.01)
    volts = made.voltage(phase, np.full_like(phase, 1000.0))
    falls = phase[1:][(volts[:-1] > 0) & (volts[1:] <= 0) & (np.diff(volts) < -0.1)]
    assert np.allclose(falls[1:], teeth[1:], atol=0.03)
    assert np.allclose(made.voltage(phase, np.full_like(phase, 2000.0)), 2 * volts)
    times = np.arange(0, 2, 1e-4)
    motion = Motion(times, 1000.0 * times + 1, "cranking")
    logic = coil_toggles(rng, made, 1.5, Nasty(), motion, motion.theta_deg)
    sharp = logic.times_s[(logic.first + np.arange(len(logic.times_s))) % 2 == 1] * 1000.0 + 1
    assert np.allclose((sharp + 3) % 6, 3, atol=1e-3)


def test_coupling_capacitor_takes_the_mean_and_droops() -> None:
    times = np.arange(0, 4, 1e-3)
    step = np.where(times > 1, 5.0, 0.0)
    out = filtered(step, 1000.0, 1.0, high_pass=True)
    expected = np.where(
        times > 1, 5.0 * np.exp(-2 * np.pi * (times - 1)), 0.0
    )  # closed form of a first-order high-pass
    assert np.max(np.abs(out - expected)[10:-10]) < 0.15


def test_converter_cuts_off_or_wraps() -> None:
    volts = np.array([-1.0, 0.0, 2.0, 6.0])
    assert converted(volts, 0.0, 5.12, 8).tolist() == pytest.approx([0.0, 0.0, 2.0, 5.1])
    assert converted(volts, 0.0, 5.12, 8, wrap=True).tolist() == pytest.approx([4.12, 0.0, 2.0, 0.88])


def test_swapped_polarity_inverts_the_level() -> None:
    rng = np.random.default_rng(3)
    at = setting(3, "cranking")
    made = coil(rng, np.arange(0, 348, 6.0), 360.0, 1.5, Nasty())
    one = coil_toggles(np.random.default_rng(1), made, 1.5, Nasty(), at.motion, at.motion.theta_deg)
    two = coil_toggles(
        np.random.default_rng(1), made, 1.5, replace(Nasty(), swapped=True), at.motion, at.motion.theta_deg
    )
    assert np.array_equal(one.times_s, two.times_s) and one.first == 1 - two.first


# ------------------------------------------------------------------------------------------------------- the table


def test_table_counts_right_wrong_and_crashed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.syspath_prepend(str(Path(__file__).parent.parent / "benchmarks"))
    outside_table = importlib.import_module("outside_table")
    truth = {"teeth": 1, "offset_deg": 20.0, "offset_known": True, "callable": True, "reason": ""}
    truth |= {"erratic": False, "erratic_known": True, "moves": "steady"}
    right = {"teeth_call": 1, "teeth": {"1": 0.99}, "offset_deg": 20.1, "ci95_deg": [19.9, 20.3], "state": "slipped"}
    sure = {
        "teeth_call": 0,
        "teeth": {"0": 0.95, "1": 0.05},
        "offset_deg": 19.0,
        "ci95_deg": [18.8, 19.2],
        "state": "erratic",
    }
    said = [(right, 0), (sure, 0), ({"teeth_call": None}, 0), ({}, 2), ({}, 70)]
    rows = [
        outside_table.Row(k, "1A", "running", truth, what, outside_table.Outcome(exit_code), ("hum",))
        for k, (what, exit_code) in enumerate(said)
    ]
    lines = dict(outside_table.summary(rows))
    assert lines["tooth call right, of callable"] == "20.0 % of 5"
    assert lines["not called, of callable"] == "60.0 % of 5"
    assert lines["called wrong, of callable"] == "20.0 % of 5"
    assert lines["wrong at p >= 0.9"] == "1  seeds 1"
    assert lines["95 % interval covers"] == "50.0 % of 2"
    assert lines["|offset error|, running"].startswith("mean 0.550 ")
    assert lines["steady called erratic"] == "20.0 % of 5"
    assert lines["refused (exit 2), cases"] == "1  seeds 3"
    assert lines["crashed (other exit), cases"] == "1  seeds 4"

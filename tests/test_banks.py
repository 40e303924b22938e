"""Two banks with the same cam wheel, and nothing else known: how they differ is told, which one is off is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tightside import pipeline
from tightside.engine.load import read_engine
from tightside.engine.model import Engine
from tightside.joins.causes import with_causes
from tightside.joins.reference import drive_of
from tightside.joins.together import joined
from tightside.records import OTHER_BANK, CamOffset, Recording
from tightside.report.text import diagnosis_text
from tightside.timing.banks import USUAL_BANKS_DEG, teeth_between

PITCH = 720.0 / 42.0


def v6(bank_deg: float) -> Engine:
    """The shipped V6 with two cams, the second bank's wheel turned by that much."""
    engine = read_engine("demo-v6")
    first = engine.cams["1A"]
    assert first.sensor is not None
    turned = sorted(((e.deg + bank_deg) % 720.0, e) for e in first.sensor.edges)
    edges = tuple(e.model_copy(update={"deg": deg}) for deg, e in turned)
    second = first.model_copy(update={"sensor": first.sensor.model_copy(update={"edges": edges})})
    return engine.model_copy(update={"cams": {"1A": first, "2A": second}})


def recorded(engine: Engine, *faults: str, seed: int = 1, mode: str = "idle", seconds: float = 5.0) -> Recording:
    from tightside.cli.simulate import subject_of
    from tightside.twin.grammar import read_fault
    from tightside.twin.scene import Recorder, Running, Scenario, Sensor
    from tightside.twin.simulate import simulate

    subject = subject_of(engine)
    scenario = Scenario(
        running=Running(mode=mode, seconds=seconds),  # type: ignore[arg-type]
        faults=tuple(read_fault(f, subject) for f in faults),
        recorder=Recorder(kind="edges", resolution_s=1e-6),
        sensor=Sensor(runout_deg=0.05, tooth_sd_deg=0.02),
    )
    return simulate(subject, scenario, np.random.default_rng(seed))[0]


def compared(recording: Recording, teeth: int | None = None) -> dict[str, CamOffset]:
    drive = drive_of(teeth)
    return {c.cam: c for c in pipeline.diagnose_recording(recording, None, (), drive=drive).cams}


@pytest.mark.parametrize("bank_deg", [60.0, 90.0, 360.0, 450.0])
def test_banks_in_time_agree_whatever_the_bank_offset(bank_deg):
    found = compared(recorded(v6(bank_deg)))
    assert found["2A"].reference == f"{OTHER_BANK} (1A)"
    assert found["1A"].reference == f"{OTHER_BANK} (2A)"
    assert abs(found["2A"].offset_deg) < 0.4
    low, high = found["2A"].ci95_deg
    assert low < 0.0 < high
    assert found["1A"].offset_deg == pytest.approx(-found["2A"].offset_deg)
    assert "the banks agree" in found["2A"].notes[0]
    assert "both banks off alike" in found["2A"].notes[1]


@pytest.mark.parametrize("fault", ["slip:2A=+1", "slip:1A=-1"])
def test_banks_one_tooth_apart_are_not_blamed(fault):
    """Either bank's slip gives the same difference: no state, no call, and words that say why."""
    found = compared(recorded(v6(360.0), fault), 42)
    for cam, sign in (("2A", 1.0), ("1A", -1.0)):
        assert found[cam].state == "not enough data"
        assert found[cam].teeth_call is None
        assert found[cam].offset_deg == pytest.approx(sign * PITCH, abs=0.5)
        low, high = found[cam].ci95_deg
        assert low < sign * PITCH < high
        assert max(found[cam].teeth, key=lambda t: t[1])[0] == round(sign)
        assert any("which of" in note for note in found[cam].notes)
        assert any("1 tooth between the banks" in note for note in found[cam].notes)


def test_banks_both_slipped_alike_claim_nothing():
    found = compared(recorded(v6(360.0), "slip:all=+1"), 42)
    assert abs(found["2A"].offset_deg) < 0.5
    assert {c.state for c in found.values()} == {"not enough data"}
    assert all(c.teeth_call is None for c in found.values())
    assert "both banks off alike would look the same" in found["1A"].notes[1]


def test_banks_loose_cam_is_erratic_by_itself():
    found = compared(recorded(v6(360.0), "loose:2A=8", seconds=8.0))
    assert found["2A"].state == "erratic"
    assert found["1A"].state == "not enough data"


def test_banks_with_other_wheels_are_not_compared():
    engine = read_engine("demo-v6")
    kept = engine.model_copy(update={"cams": {"1A": engine.cams["1A"], "2A": engine.cams["1B"]}})
    assert compared(recorded(kept)) == {}


def test_banks_of_one_bank_are_not_compared():
    engine = v6(360.0)
    twin = engine.model_copy(update={"cams": {"1A": engine.cams["1A"], "1B": engine.cams["2A"]}})
    assert compared(recorded(twin)) == {}


def test_banks_without_names_are_compared_and_no_cause_is_drawn_from_it(tmp_path):
    recording = recorded(v6(360.0), mode="cranking", seconds=4.0)
    plain = replace(
        recording,
        channels=tuple(replace(c, role=None, column=f"D{i}", why="") for i, c in enumerate(recording.channels)),
    )
    found = pipeline.diagnose_recording(plain, None, ())
    assert [c.reference for c in found.cams] == [f"{OTHER_BANK} (D2)", f"{OTHER_BANK} (D1)"]
    whole = with_causes(joined([found], None), None, None, None)
    assert whole.diagnosis.causes is None
    text = diagnosis_text(whole.diagnosis)
    assert "the banks agree within" in text and "in time cannot be told" in text


def test_teeth_between_of_a_difference_that_fits_no_tooth_is_open():
    found = teeth_between(360.0 + 0.5 * PITCH, 0.2, PITCH)
    assert max(found.values()) < 0.8


@pytest.mark.parametrize("teeth", [-1, 0, 1])
def test_teeth_between_of_whole_teeth_finds_them(teeth):
    for usual in USUAL_BANKS_DEG:
        found = teeth_between(usual + teeth * PITCH, 0.2, PITCH)
        assert max(found, key=lambda k: found[k]) == teeth
        assert sum(found.values()) == pytest.approx(1.0, abs=0.01)

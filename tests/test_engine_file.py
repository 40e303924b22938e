"""The engine file: what is taken, what is refused, and that a refusal names the line and the mend."""

import io
import json
import pickle
from pathlib import Path

import pytest
from typer.testing import CliRunner

from tightside.cli.engine import app
from tightside.engine.estimate import estimated_geometry, known_geometry
from tightside.engine.facts import facts_of, oddities_of
from tightside.engine.load import engine_from_text, read_engine, shipped_names
from tightside.engine.model import Engine
from tightside.errors import DataError, UsageError

V6 = (Path(__file__).parent.parent / "src/tightside/engine/shipped/demo-v6.yaml").read_text(encoding="utf-8")

SMALLEST = """
schema: tightside/engine/1
name: wheel only
crank_sensor: {wheel: {teeth: 36, missing: [35]}, position_0_deg: 10, active_edge: rising}
"""


def line_of(text: str, fragment: str) -> int:
    return next(i for i, line in enumerate(text.splitlines(), 1) if fragment in line)


@pytest.mark.parametrize("name", ["demo-v6", "demo-i4"])
def test_shipped_engine_by_name_is_valid_and_unremarkable(name):
    engine = read_engine(name)
    assert name in shipped_names()
    assert oddities_of(engine) == ()


def test_v6_has_four_cams_each_with_its_own_edges():
    engine = read_engine("demo-v6")
    assert list(engine.cams) == ["1A", "1B", "2A", "2B"]
    assert len({cam.sensor.edges for cam in engine.cams.values()}) == 4
    assert engine.cylinders_of_cam("2A") == (2, 4, 6)


def test_i4_has_one_cam_for_both_kinds_of_valve_and_a_coil_on_36_1():
    engine = read_engine("demo-i4")
    assert engine.cams["1A"].kinds == ("intake", "exhaust")
    assert engine.crank_sensor.kind == "vr"
    assert [engine.firing_angle_deg(c) for c in (1, 3, 4, 2)] == [0, 180, 360, 540]


def test_path_stream_and_text_give_the_same_engine(tmp_path):
    path = tmp_path / "e.yaml"
    path.write_text(V6, encoding="utf-8")
    from_path = read_engine(path)
    assert from_path == read_engine(io.StringIO(V6)) == read_engine(io.BytesIO(V6.encode())) == read_engine("demo-v6")


def test_json_is_taken_too():
    engine = read_engine("demo-v6")
    assert engine_from_text(json.dumps(engine.model_dump(mode="json", by_alias=True))) == engine


def test_smallest_file_is_valid_and_leaves_the_rest_unknown():
    engine = engine_from_text(SMALLEST)
    assert engine.cams == {}
    assert engine.geometry is None
    assert engine.tolerance_mm == 0.25
    assert "There are no cams" in " ".join(oddities_of(engine))


def test_stated_defaults_hold():
    engine = engine_from_text(V6.replace("tolerance_mm: 0.25\n", "").replace(", pin_offset_mm: 0.6", ""))
    assert engine.tolerance_mm == 0.25
    assert engine.geometry.pin_offset_mm == 0.0
    assert engine.valves.intake.timing_lift_mm == 0.0
    assert (
        engine_from_text(V6.replace("firing_angles_deg: [0, 120, 240, 360, 480, 600]\n", "")).firing_angle_deg(4) == 360
    )


REFUSED = [
    (
        "missing: [58, 59]",
        "missing: [58, 61]",
        "crank_sensor.wheel.missing: position 61 does not exist",
        "counted from 0",
    ),
    ("missing: [58, 59]", "missing: [58, 58]", "position 58 is listed twice", "once"),
    ("teeth: 60, missing: [58, 59]", "edges_deg: [10, 40]", "the first edge is at 10 deg", "position_0_deg"),
    ("teeth: 60, missing: [58, 59]", "edges_deg: [0, 40, 40]", "40 deg does not come after 40 deg", "increasing"),
    ("teeth: 60, missing: [58, 59]", "edges_deg: [0, 400]", "400 deg is outside 0..360", "40"),
    ("teeth: 60, missing: [58, 59]", "missing: [58, 59]", "either 'teeth' or 'edges_deg'", "teeth"),
    ("active_edge: falling", "activ_edge: falling", "activ_edge", "Did you mean 'active_edge'?"),
    ("bore_mm: 90.5", "bore_mm: 90.5mm", "geometry.bore_mm: a number is needed, got '90.5mm'", "without a unit"),
    ("stroke_mm: 82.9", "stroke_mm: .nan", "geometry.stroke_mm: a finite number is needed", "leave the field out"),
    ("rod_mm: 147.0", "rod_mm: 14.7", "a rod of 14.7 mm cannot turn", "centre to centre"),
    ("links: 138}", "links: 20}", "20 links cannot go around", "31.5"),
    ("driver_teeth: 21, driven_teeth: 42", "driver_teeth: 21, driven_teeth: 41", "turns the cam at 1/1.952", "1/2"),
    ("{deg: 104.0, edge: falling}", "{deg: 30.0, edge: falling}", "30 deg does not come after 36 deg", "increasing"),
    ("{deg: 104.0, edge: falling}", "{deg: 104.0, edge: rising}", "two rising edges in a row", "one kind only"),
    ("{deg: 672.0, edge: falling}", "{deg: 720.0, edge: falling}", "720 deg is outside 0..720", "Write it as 0"),
    ("  2B:", "  2C:", "'2C' is no camshaft's name", "1A intake"),
    ("  2B:", "  3B:", "cam 3B is on bank 3, but the banks are 1, 2", "rename"),
    ("firing_order: [1, 2, 3, 4, 5, 6]", "firing_order: [1, 2, 3, 4, 5, 5]", "does not name each of 6", "each once"),
    ("firing_order: [1, 2, 3, 4, 5, 6]", "firing_order: [2, 1, 3, 4, 5, 6]", "does not begin with cylinder 1", "[1, 3"),
    ("[0, 120, 240, 360, 480, 600]", "[0, 120, 240, 360, 480]", "5 firing angles for 6 cylinders", "one per cylinder"),
    ("[0, 120, 240, 360, 480, 600]", "[0, 120, 110, 360, 480, 600]", "110 deg does not come after 120", "increasing"),
    ("2: [2, 4, 6]", "2: [2, 4]", "no bank has cylinder 6", "once"),
    ("2: [2, 4, 6]", "2: [2, 4, 6, 5]", "cylinder 5 is already on bank 1", "once"),
    ("banks: {1: [1, 3, 5], 2: [2, 4, 6]}", "banks: {2: [1, 3, 5], 1: [2, 4, 6]}", "cylinder 1 is on bank 2", "Bank 1"),
    ("closes_deg: 610.0", "closes_deg: 10.0", "before it opens", "730"),
    ("max_lift_mm: 9.8", "max_lift_mm: 9.8\n    timing_lift_mm: 12", "timing lift of 12 mm is not below", "1.0 mm"),
    ("max_lift_mm: 9.8", "lift_table: [[0, 0], [10, 1], [5, 0]]", "5 deg does not come after 10 deg", "increasing"),
    ("max_lift_mm: 9.8", "lift_table: [[0, 0], [10, -1], [50, 0]]", "a lift of -1 mm is below 0", "seat"),
    ("schema: tightside/engine/1", "schema: tightside/engine/9", "schema: should be 'tightside/engine/1'", ""),
    ("cylinders: 6", "cylinders: six", "cylinders: a whole number is needed, got 'six'", "Write"),
    ("cylinders: 6", "cylinders: [6", "line", "brackets"),
    ("idle_rpm: 680", "idle_rpm: 680\nidle_rpm: 700", "duplicate key", ""),
    ("direction: advance", "direction: sideways", "phaser.direction: should be 'advance' or 'retard'", ""),
]


@pytest.mark.parametrize(("good", "bad", "what", "mend"), REFUSED, ids=[r[2][:40] for r in REFUSED])
def test_engine_file_that_does_not_fit_is_refused_with_the_mend(good, bad, what, mend):
    assert good in V6
    with pytest.raises(DataError) as refusal:
        engine_from_text(V6.replace(good, bad, 1), "e.yaml")
    sentence = str(refusal.value)
    assert sentence.startswith("e.yaml line ")
    assert what in sentence
    assert mend in sentence
    assert "\n" not in sentence


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        ("missing: [58, 59]", "missing: [58, 61]"),
        ("bore_mm: 90.5", "bore_mm: big"),
        ("active_edge: falling", "activ_edge: falling"),
        ("{deg: 436.0, edge: falling}", "{deg: 300.0, edge: falling}"),
        ("{deg: 436.0, edge: falling}", "{deg: 436.0, egde: falling}"),
        ("deck_clearance_mm: 0.9", "deck_clearance_mm: low"),
    ],
)
def test_error_in_an_engine_file_names_its_line(good, bad):
    text = V6.replace(good, bad, 1)
    with pytest.raises(DataError, match=f"^e.yaml line {line_of(text, bad)}: "):
        engine_from_text(text, "e.yaml")


@pytest.mark.parametrize("text", ["", "[]", "just words", "\x00", "a: &a [*a, *a]", "!!python/object:os.system {}"])
def test_text_that_is_no_engine_file_is_refused_in_one_line(text):
    with pytest.raises(DataError, match=r"^e\.yaml line 1: ") as refusal:
        engine_from_text(text, "e.yaml")
    assert "\n" not in str(refusal.value)


def test_binary_file_is_refused(tmp_path):
    (tmp_path / "e.yaml").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(DataError, match="not UTF-8"):
        read_engine(tmp_path / "e.yaml")


def test_unknown_engine_names_the_shipped_ones():
    with pytest.raises(UsageError, match="demo-i4, demo-v6"):
        read_engine("no-such-engine")


def test_refusal_survives_a_process_boundary():
    with pytest.raises(DataError) as refusal:
        engine_from_text("[]")
    assert str(pickle.loads(pickle.dumps(refusal.value))) == str(refusal.value)


def test_engine_survives_a_process_boundary_and_cannot_be_changed():
    engine = read_engine("demo-v6")
    assert pickle.loads(pickle.dumps(engine)) == engine
    with pytest.raises(ValueError, match="frozen"):
        engine.name = "other"


# ------------------------------------------------------------------------------------------------- what follows


def test_facts_of_the_v6_are_right():
    facts = {f.name: f for f in facts_of(read_engine("demo-v6"))}
    assert facts["one tooth on cam 1A"].value == pytest.approx(720 / 42, abs=1e-4)
    assert facts["displacement"].value == pytest.approx(3.14159265 / 4 * 9.05**2 * 8.29 * 6, abs=1)
    assert facts["firing intervals"].why == "even"
    assert facts["crank wheel"].value == "60-2"
    assert facts["marks and links of cam 1A meet again"].value == 46


def test_swapped_banks_of_edges_and_odd_valves_are_said():
    text = V6.replace("opens_deg: 366.0", "opens_deg: 6.0").replace("closes_deg: 610.0", "closes_deg: 250.0")
    assert any("intake valve is widest open" in line for line in oddities_of(engine_from_text(text)))


def test_geometry_left_out_is_named_or_estimated():
    engine = engine_from_text(V6.replace("rod_mm: 147.0, ", ""))
    with pytest.raises(DataError, match=r"does not give geometry\.rod_mm"):
        known_geometry(engine)
    geometry, guesses = estimated_geometry(engine)
    assert geometry.bore_mm == 90.5
    assert [g.name for g in guesses] == ["geometry.rod_mm"]
    assert abs(geometry.rod_mm - 147.0) < 2 * guesses[0].sd


def test_stroke_follows_from_displacement_and_bore():
    text = V6.replace("stroke_mm: 82.9, ", "displacement_cm3: 3199.6, ")
    geometry, guesses = estimated_geometry(engine_from_text(text))
    assert geometry.stroke_mm == pytest.approx(82.9, abs=0.05)
    assert "displacement" in guesses[0].sentence()


# -------------------------------------------------------------------------------------------------- command line


def test_schema_verb_prints_the_schema_that_the_shipped_files_obey():
    schema = json.loads(CliRunner().invoke(app, ["schema"]).stdout)
    assert schema == Engine.model_json_schema(by_alias=True)
    assert schema["properties"]["schema"]["const"] == "tightside/engine/1"
    assert schema["additionalProperties"] is False


def test_check_verb_shows_tooth_pitch_and_warnings(tmp_path):
    path = tmp_path / "e.yaml"
    path.write_text(SMALLEST)
    assert "17.1429 crank deg" in CliRunner().invoke(app, ["check", "demo-v6"]).stdout
    assert "Look again: There are no cams" in CliRunner().invoke(app, ["check", str(path)]).stdout


def test_check_verb_writes_json():
    result = json.loads(CliRunner().invoke(app, ["check", "demo-i4", "--json", "-"]).stdout)
    assert result["warnings"] == []
    assert {"name": "crank wheel", "value": "36-1", "unit": "", "why": ""} in result["facts"]


def test_list_verb_names_the_shipped_engines():
    assert "demo-v6  Demo V6 3.2" in CliRunner().invoke(app, ["list"]).stdout


def test_sample_in_the_docs_is_a_valid_file():
    docs = (Path(__file__).parent.parent / "docs/engine-file.md").read_text(encoding="utf-8")
    engine = engine_from_text(docs.split("```yaml\n")[1].split("```")[0])
    assert engine.name == "Sample V6"


def test_every_field_is_in_the_docs():
    docs = (Path(__file__).parent.parent / "docs/engine-file.md").read_text(encoding="utf-8")
    schema = Engine.model_json_schema(by_alias=True)
    parts = [schema, *schema["$defs"].values()]
    assert [name for part in parts for name in part.get("properties", {}) if name not in docs] == []

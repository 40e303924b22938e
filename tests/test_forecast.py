"""What ``tightside predict`` says: contract, sense of the numbers, estimates, reports and refusals."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tightside.cli.main import run
from tightside.cli.predict import forecast_as_json
from tightside.engine.load import engine_from_text, read_engine
from tightside.errors import UsageError
from tightside.forecast import Leak, forecast
from tightside.records import Forecast
from tightside.report.predict import render_forecast

SHIPPED = Path(__file__).parent.parent / "src" / "tightside" / "engine" / "shipped"
BARE = """
schema: tightside/engine/1
name: A three
cylinders: 3
firing_order: [1, 2, 3]
crank_sensor: {kind: hall, wheel: {teeth: 60, missing: [58, 59]}, position_0_deg: 0.0, active_edge: falling}
cams: {1A: {works: [intake], drive: [{driver_teeth: 20, driven_teeth: 40}]}}
"""
ASKED = {
    "cylinder",
    "bank",
    "peak_kpa_abs",
    "gauge_kpa",
    "relative_to_in_time",
    "evo_deg",
    "evc_deg",
    "ivo_deg",
    "ivc_deg",
}


@pytest.fixture(scope="module")
def slipped() -> Forecast:
    return forecast(read_engine("demo-v6"), teeth={"1A": 1}, leaks={4: Leak(3.0)})


def test_forecast_json_has_every_field_of_the_contract(slipped: Forecast) -> None:
    told = json.loads(json.dumps(forecast_as_json(slipped)))
    assert {"cylinders", "manifold_kpa_abs", "rpm", "cams"} <= set(told)
    assert [c["cylinder"] for c in told["cylinders"]] == [1, 2, 3, 4, 5, 6]
    assert all(set(c) >= ASKED for c in told["cylinders"])
    assert told["cams"][0] == {"cam": "1A", "offset_deg": pytest.approx(720 / 42, abs=1e-5), "teeth": 1}


def test_late_intake_lowers_its_own_bank_only_and_moves_its_angles(slipped: Forecast) -> None:
    by = {c.cylinder: c for c in slipped.cylinders}
    for late, sound in ((1, 2), (3, 6), (5, 6)):
        assert 0.75 < by[late].relative_to_in_time < 0.9
        assert by[sound].relative_to_in_time == pytest.approx(1.0, abs=0.01)
        assert by[late].ivc_deg - by[sound].ivc_deg == pytest.approx(720 / 42)
        assert by[late].evo_deg == by[sound].evo_deg == 128.0
    assert by[4].relative_to_in_time < 0.65
    assert by[4].leak_mm2 == 3.0


def test_warm_open_throttle_reading_is_that_of_a_sound_petrol_engine(slipped: Forecast) -> None:
    # 1100 to 1700 kPa (160 to 245 psi) at a ratio of 10.4. Common practice, no source.
    assert 1100.0 < slipped.cylinders[1].gauge_kpa < 1700.0
    assert slipped.manifold_kpa_abs == pytest.approx(101.3, abs=0.5)
    assert slipped.cylinders[1].peak_kpa_abs - slipped.cylinders[1].gauge_kpa == pytest.approx(slipped.ambient_kpa)


def test_shares_are_surer_than_readings(slipped: Forecast) -> None:
    for c in slipped.cylinders:
        absolute = (c.gauge_ci95_kpa[1] - c.gauge_ci95_kpa[0]) / c.gauge_kpa
        relative = (c.relative_ci95[1] - c.relative_ci95[0]) / c.relative_to_in_time
        assert absolute > 0.3 and relative < 0.7 * absolute
        assert c.gauge_ci95_kpa[0] < c.gauge_kpa < c.gauge_ci95_kpa[1]


def test_share_falls_tooth_by_tooth_and_vacuum_suffers(slipped: Forecast) -> None:
    intake = [t.relative_to_in_time for t in slipped.by_tooth if t.works == "intake" and t.teeth >= 0]
    assert intake == sorted(intake, reverse=True) and intake[0] == 1.0
    assert slipped.shut_throttle_kpa_abs is not None
    assert slipped.shut_throttle_kpa_abs[0] > slipped.shut_throttle_kpa_abs[1]


def test_likely_contact_is_warned_of_first() -> None:
    early = forecast(read_engine("demo-v6"), teeth={"1A": -3}, map_kpa=60.0, rpm=180.0)
    assert early.cautions[0].startswith("Cam 1A at -51.4°: intake valves may meet pistons")
    assert early.manifold_kpa_abs == pytest.approx(60.0)
    assert early.shut_throttle_kpa_abs is None
    assert "bent" in early.cautions[0]


def test_engine_with_next_to_nothing_known_gets_a_wide_answer_that_says_so(slipped: Forecast) -> None:
    bare = forecast(engine_from_text(BARE), teeth={"1A": 1})
    missing = " ".join(bare.assumed)
    for name in ("stroke_mm", "compression_ratio", "intake.closes_deg", "exhaust.head_diameter_mm"):
        assert name in missing
    wide = bare.cylinders[0].gauge_ci95_kpa[1] / bare.cylinders[0].gauge_ci95_kpa[0]
    known = slipped.cylinders[0].gauge_ci95_kpa[1] / slipped.cylinders[0].gauge_ci95_kpa[0]
    assert wide > 1.1 * known
    assert slipped.assumed == ()


def test_reports_are_whole_and_escape_what_came_from_a_file(slipped: Forecast, tmp_path: Path) -> None:
    nasty = (SHIPPED / "demo-i4.yaml").read_text().replace("name: Demo I4 2.0", "name: '<script>alert(1)</script>'")
    (tmp_path / "e.yaml").write_text(nasty)
    assert run(["clearance", "--engine", str(tmp_path / "e.yaml"), "--report", str(tmp_path / "c.html")]) == 0
    pages = [(tmp_path / "c.html").read_text(encoding="utf-8"), render_forecast(slipped, "us")]
    for page in pages:
        assert "<script" not in page and "http" not in page.replace("http://www.w3.org/2000/svg", "")
        assert page.count("<svg") == page.count("</svg>") >= 8
    assert "touching" in pages[0] and "&lt;script&gt;" in pages[0]
    assert "psi" in pages[1] and "Cylinder 4 would show" in pages[1]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--teeth", "3A=1"], "one of 1A, 1B, 2A, 2B"),
        (["--teeth", "1A=0.5"], "use --offset"),
        (["--teeth", "1A=1", "--offset", "1A=3"], "both teeth and an offset"),
        (["--leak", "9=1"], "there is no cylinder 9"),
        (["--leak", "3=4:sump"], "is not understood"),
        (["--units", "imperial"], "metric or us"),
        (["--offset", "1A=nan"], "a number within 360"),
    ],
)
def test_options_that_do_not_fit_are_refused_in_one_line(
    options: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["predict", "--engine", "demo-v6", *options]) == 2
    error = capsys.readouterr().err
    assert said in error and error.count("\n") == 1


def test_engine_without_cylinders_is_refused() -> None:
    none = BARE.replace("cylinders: 3\n", "").replace("firing_order: [1, 2, 3]\n", "")
    with pytest.raises(UsageError, match="firing_order"):
        forecast(engine_from_text(none))


def test_predict_prints_a_plain_answer(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["predict", "--engine", "demo-i4", "--offset", "1A=18", "--units", "us", "--rpm", "220"]) == 0
    text = capsys.readouterr().out
    assert "Cam 1A: 18.0 degrees late" in text
    assert "of in time" in text and "psi" in text and "CAUTION" in text

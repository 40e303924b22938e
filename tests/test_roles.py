"""Roles by heading, units, and shapes. Logged values are named as in SAE J1979, cams as in SAE J2012 (from memory)."""

from __future__ import annotations

import io
from typing import Literal

import numpy as np
import pytest

from tightside.recordings import read_recording
from tightside.recordings.headings import find_unit, split_heading
from tightside.recordings.roles import ROLE_FORMS, is_role, propose_role
from tightside.records import Levels, Readings, Trace

SENSOR: dict[str, str | None] = {
    "crank": "crank", "CKP [V]": "crank", "Crankshaft position sensor": "crank", "crank_v": "crank", "CRK": "crank",
    "cam:1A": "cam:1A", "cam 1A": "cam:1A", "cam_1a": "cam:1A", "Cam1B (V)": "cam:1B", "CMP B1S1 intake": "cam:1A",
    "bank 2 exhaust cam": "cam:2B", "CMP B2 exhaust": "cam:2B", "Camshaft Position Sensor Bank 1 Intake": "cam:1A",
    "intake cam bank 2 [V]": "cam:2A", "cam bank 2 A": "cam:2A", "CMP 2B": "cam:2B", "CamshaftBank1Exhaust": "cam:1B",
    "cam": None, "cam A": None, "exhaust cam": None, "CMP B1": None, "cam sensor": None, "cam 2": None,
    "starter current [A]": "starter_current", "Starter amps": "starter_current", "battery current": "starter_current",
    "cranking current (A)": "starter_current",
    "battery [V]": "battery_voltage", "Vbat": "battery_voltage", "Battery Voltage": "battery_voltage",
    "ignition 1": "sync:1", "coil 3": "sync:3", "Injector 4": "sync:4", "inj cyl 2": "sync:2", "sync:1": "sync:1",
    "cylinder pressure 1 [kPa]": "cylinder_pressure:1",
    "Cyl 3 pressure": "cylinder_pressure:3", "p_cyl1": "cylinder_pressure:1",
    "cylinder pressure": None, "coil": None,
    "manifold pressure": "manifold_pressure", "MAP [kPa]": "manifold_pressure", "intake vacuum": "manifold_pressure",
    "crankcase pressure": "crankcase_pressure", "mic": "sound", "Sound": "sound",
    "Channel 0": None, "A": None, "column 2": None, "crank angle": None, "crank speed [rpm]": None, "D3": None,
    "oil pressure": None, "fuel rail pressure": None,
}  # fmt: skip
LOG: dict[str, str | None] = {
    "rpm": "log:rpm", "Engine RPM": "log:rpm", "ENGINE_RPM ()": "log:rpm", "Engine speed (1/min)": "log:rpm",
    "Turbine RPM": None, "Vehicle speed": None, "VSS": None,
    "TP [%]": "log:throttle", "Throttle position": "log:throttle", "THROTTLE_POS": "log:throttle",
    "Relative throttle position": None, "Absolute throttle position B": None, "Accelerator pedal D": None,
    "TAC_PCT": "log:throttle_commanded", "Commanded throttle actuator": "log:throttle_commanded",
    "MAF": "log:maf", "Mass air flow rate (g/s)": "log:maf", "MAF voltage": None,
    "MAP": "log:map", "Intake manifold absolute pressure": "log:map",
    "INTAKE_MANIFOLD_PRESSURE": "log:map",
    "ECT": "log:ect", "Engine coolant temperature [C]": "log:ect", "IAT": "log:iat",
    "Intake air temperature": "log:iat",
    "AIR_INTAKE_TEMP": "log:iat", "Ambient air temperature": None, "BARO": "log:baro",
    "Barometric pressure": "log:baro",
    "SHRTFT1": "log:stft:1", "SHRTFT2": "log:stft:2", "LONGFT1": "log:ltft:1", "LONGFT2": "log:ltft:2",
    "Short term fuel trim bank 2": "log:stft:2", "LTFT B1 (%)": "log:ltft:1", "Term Fuel Trim Bank 1": None,
    "SPARKADV": "log:spark", "Timing advance": "log:spark", "Ignition timing [deg]": "log:spark",
    "LOAD_PCT": "log:load", "Calculated engine load": "log:load", "ENGINE_LOAD": "log:load",
    "cam phase error 1A": "log:cam_phase_error:1A", "log:cam_phase_error:2B": "log:cam_phase_error:2B",
    "Camshaft position deviation bank 2 exhaust [deg]": "log:cam_phase_error:2B",
    "VVT angle desired B1 intake": "log:cam_phase_desired:1A", "VVT actual bank 1 exhaust": "log:cam_phase_actual:1B",
    "Intake cam target angle bank 2": "log:cam_phase_desired:2A", "cam phase error": None, "VVT duty B1 intake": None,
    "Control module voltage": "battery_voltage", "Catalyst temperature bank 1 sensor 1": None, "Fuel level": None,
}  # fmt: skip


@pytest.mark.parametrize(("heading", "role"), list(SENSOR.items()))
def test_role_of_sensor_heading(heading: str, role: str | None) -> None:
    assert propose_role(heading, "sensor").role == role


@pytest.mark.parametrize(("heading", "role"), list(LOG.items()))
def test_role_of_log_heading(heading: str, role: str | None) -> None:
    assert propose_role(heading, "log").role == role


@pytest.mark.parametrize("role", ROLE_FORMS)
@pytest.mark.parametrize("kind", ["sensor", "log"])
def test_heading_that_is_a_role_takes_it_with_or_without_unit(role: str, kind: Literal["sensor", "log"]) -> None:
    assert is_role(role)
    assert propose_role(role, kind).role == role
    assert propose_role(f"{role} [V]", kind).role == role


@pytest.mark.parametrize("heading", ["cam", "exhaust cam", "CMP B1"])
def test_role_of_unclear_cam_says_what_is_missing(heading: str) -> None:
    assert "not said" in propose_role(heading, "sensor").why


@pytest.mark.parametrize(
    ("heading", "name", "unit"),
    [
        ("Time [ms]", "Time", "ms"), ("Time (s)", "Time", "s"), ("U/V", "U", "V"), ("t / us", "t", "us"),
        ("p in bar", "p", "bar"), ("time_ms", "time", "ms"), ("crank_v", "crank", "v"), ("cam A", "cam A", ""),
        ("cam_A", "cam_A", ""), ("ENGINE_RPM ()", "ENGINE_RPM", ""), ("Channel (left)", "Channel (left)", ""),
        ("n [1/min]", "n", "1/min"), ("ECT {°C}", "ECT", "°C"), ("log:rpm", "log:rpm", ""),
        ("cylinder_pressure:1 [kPa]", "cylinder_pressure:1", "kPa"), ("Spannung, V", "Spannung", "V"),
    ],
)  # fmt: skip
def test_heading_splits_into_name_and_unit(heading: str, name: str, unit: str) -> None:
    assert split_heading(heading) == (name, unit)


@pytest.mark.parametrize(
    ("unit", "value", "canonical", "expected"),
    [
        ("psi", 14.695949, "kPa", 101.325),  # NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa
        ("bar", 1.0, "kPa", 100.0), ("mbar", 1013.25, "kPa", 101.325), ("inHg", 29.9213, "kPa", 101.325),  # SP 811
        ("mmHg", 760.0, "kPa", 101.325), ("°F", 212.0, "degC", 100.0),
        ("F", 32.0, "degC", 0.0), ("K", 273.15, "degC", 0.0),
        ("mV", 1.0, "V", 1e-3), ("kg/h", 3.6, "g/s", 1.0), ("mph", 1.0, "km/h", 1.609344), ("min", 1.0, "s", 60.0),
    ],
)  # fmt: skip
def test_units_are_brought_to_the_projects_own(unit: str, value: float, canonical: str, expected: float) -> None:
    known = find_unit(unit)
    assert known is not None
    assert known.name == canonical
    assert value * known.factor + known.offset == pytest.approx(expected, rel=2e-6, abs=1e-9)


def sampled(headings: str, columns: int) -> io.BytesIO:
    i = np.arange(300)
    values = [np.round(2 + np.sin(i / (5 + k)), 4) for k in range(columns)]
    rows = "\n".join(",".join([f"{n / 1000}", *(str(v[n]) for v in values)]) for n in i)
    return io.BytesIO(f"{headings}\n{rows}\n".encode())


def test_role_by_hand_overrules_heading_and_is_marked() -> None:
    recording = read_recording(sampled("t,crank,cam 1A", 2), channels={"crank": "cam 1A", "cam:1A": "2"})
    assert [(c.column, c.role, c.by_hand) for c in recording.channels] == [
        ("crank", "cam:1A", True), ("cam 1A", "crank", True),
    ]  # fmt: skip


def test_role_by_hand_takes_it_from_the_column_headed_so() -> None:
    recording = read_recording(sampled("t,crank,spare", 2), channels={"crank": "spare"})
    assert recording.channels[0].role is None
    assert "'spare' took" in recording.channels[0].why
    assert recording.channels[1].role == "crank"


def test_column_by_hand_is_found_by_heading_without_unit_in_any_case() -> None:
    recording = read_recording(sampled("t,Channel A [V],Channel B [V]", 2), channels={"crank": "channel b"})
    assert recording.channels[1].role == "crank"


def test_role_claimed_twice_goes_to_one_column() -> None:
    recording = read_recording(sampled("t,crank,CKP", 2))
    assert [c.role for c in recording.channels] == ["crank", None]
    assert "crank too" in recording.channels[1].why


def test_unit_and_scale_by_hand_change_the_values() -> None:
    plain = read_recording(sampled("t,cylinder pressure 1,crank", 2))
    scaled = read_recording(
        sampled("t,cylinder pressure 1,crank", 2),
        units={"cylinder_pressure:1": "bar", "crank": "mV"},
        scales={"cylinder_pressure:1": 10.4},
    )
    for before, after, factor, unit in zip(plain.channels, scaled.channels, (1040.0, 1e-3), ("kPa", "V"), strict=True):
        assert isinstance(before.data, Trace) and isinstance(after.data, Trace)
        np.testing.assert_allclose(after.data.values(), before.data.values() * factor, rtol=1e-12)
        assert after.unit == unit


def test_unit_in_heading_is_brought_to_the_projects_own() -> None:
    recording = read_recording(sampled("t,MAP [psi],cylinder pressure 1 [bar]", 2))
    assert [c.unit for c in recording.channels] == ["kPa", "kPa"]
    data = recording.channels[1].data
    assert isinstance(data, Trace)
    assert data.values()[0] == pytest.approx(200.0)


def test_spark_in_percent_becomes_degrees_and_is_said() -> None:
    # SAE J1979 PID 0E: A / 2 - 64; byte 148 is 10 deg (REFERENCE value), which as a percentage of 255 reads 58.04
    rows = "\n".join(f"{i},{800 + i},{148 / 2.55:.2f}%" for i in range(50))
    recording = read_recording(io.BytesIO(f"time [s],rpm,Timing advance\n{rows}\n".encode()))
    spark = recording.with_role("log:spark")
    assert spark is not None and isinstance(spark.data, Readings)
    assert spark.unit == "deg"
    assert spark.data.values[0] == pytest.approx(10.0, abs=0.01)
    assert any("percent" in warning for warning in recording.warnings)


def edge_list(rows: list[str], heading: str = "Time [s],crank,cam\n") -> io.BytesIO:
    return io.BytesIO((heading + "\n".join(rows) + "\n").encode())


def test_edge_list_keeps_each_channels_own_changes() -> None:
    recording = read_recording(edge_list(["0,0,1", "0.5,1,1", "0.75,1,0", "1,0,0", "1.25,1,0", "1.5,1,0"]))
    crank, cam = (c.data for c in recording.channels)
    assert isinstance(crank, Levels) and isinstance(cam, Levels)
    assert crank.times_s.tolist() == [0.5, 1.0, 1.25]
    assert crank.levels.tolist() == [1, 0, 1]
    assert cam.times_s.tolist() == [0.75]
    assert cam.levels.tolist() == [0]
    assert (crank.start_s, crank.end_s) == (0.0, 1.5)
    assert recording.kind == "sensor"


def test_edge_list_with_changes_at_one_time_keeps_each_once() -> None:
    recording = read_recording(edge_list(["0,0,0", "0.5,1,0", "0.5,1,1", "1,0,1", "1.5,0,0", "2,1,0"]))
    crank, cam = (c.data for c in recording.channels)
    assert isinstance(crank, Levels) and isinstance(cam, Levels)
    assert crank.times_s.tolist() == [0.5, 1.0, 2.0]
    assert cam.times_s.tolist() == [0.5, 1.5]


def test_edge_list_in_whole_microseconds_is_taken_so_and_said() -> None:
    rng = np.random.default_rng(2)
    at = np.cumsum(rng.integers(700, 1300, 400))
    recording = read_recording(edge_list([f"{t},{i % 2},0" for i, t in enumerate(at)], "time,crank,cam\n"))
    assert recording.channels[0].data.duration_s == pytest.approx((at[-1] - at[0]) * 1e-6)
    assert any("microseconds" in warning for warning in recording.warnings)


@pytest.mark.parametrize("clock_hz", [1e6, 4e6, 1.2e7, 1.6e7, 2.4e7])
def test_edge_list_shows_the_recorders_clock(clock_hz: float) -> None:
    rng = np.random.default_rng(3)
    at = np.cumsum(rng.integers(4000, 9000, 300)) / clock_hz
    data = read_recording(edge_list([f"{t:.9f},{i % 2},0" for i, t in enumerate(at)])).channels[0].data
    assert isinstance(data, Levels)
    assert data.resolution_s == pytest.approx(1 / clock_hz)


def test_logic_levels_sampled_evenly_are_a_trace() -> None:
    rows = [f"{i / 1000},{(i // 7) % 2},{(i // 50) % 2}" for i in range(1000)]
    data = read_recording(edge_list(rows)).channels[0].data
    assert isinstance(data, Trace)
    assert data.rate_hz == 1000.0


def test_uneven_rows_keep_their_own_times() -> None:
    rng = np.random.default_rng(4)
    at = np.cumsum(rng.exponential(1e-3, 500))
    recording = read_recording(edge_list([f"{t:.7f},{np.sin(t * 50):.5f},{i % 5}" for i, t in enumerate(at)]))
    data = recording.channels[0].data
    assert isinstance(data, Readings)
    np.testing.assert_allclose(data.times_s, at - at[0], atol=1.01e-7)
    assert any("not evenly spaced" in warning for warning in recording.warnings)

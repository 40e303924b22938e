"""Engines, faults, sensors and recorders at random: one whole number gives one case, the same each time.

Every nuisance is drawn by itself and widely, with heavy tails, so that no habit of the simulator can be relied on. All
engines are invented. Ranges are common practice, no source, unless a line says otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from tightside.engine.model import Engine
from tightside.twin.scene import Fault, Recorder, Running, Scenario, Sensor, Subject

Rng = np.random.Generator
MOST_SAMPLES = 5e6  # of all channels together

# (driver, driven) of each stage; every tooth is worth 15 to 24 crank degrees on the last
DRIVES = [[(n, 2 * n)] for n in range(15, 25)] + [
    [(24, 32), (30, 45)],
    [(20, 40), (30, 30)],
    [(20, 40), (36, 36)],
    [(25, 50), (34, 34)],
    [(21, 28), (28, 42)],
    [(30, 40), (24, 36)],
]


@dataclass(frozen=True)
class Case:
    number: int
    engine: Engine
    subject: Subject
    scenario: Scenario
    wheel: str

    @property
    def running(self) -> bool:
        return self.scenario.running.mode not in ("cranking", "restart")


def _log(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _chance(rng: Rng, share: float) -> bool:
    return bool(rng.random() < share)


def _pick(rng: Rng, weights: dict[Any, float]) -> Any:
    names, share = list(weights), np.array(list(weights.values()))
    return names[int(rng.choice(len(names), p=share / share.sum()))]


def draw_case(number: int, *, clean: bool = False) -> Case:
    """The case of that number; ``clean`` keeps engine, fault and running, and takes good sensors and recorder."""
    from tightside.cli.simulate import subject_of

    rng = np.random.default_rng([7919, number])
    spec, wheel = draw_engine(rng)
    engine = Engine.model_validate(spec)
    subject = subject_of(engine)
    running = _running(rng, subject)
    recorder = _recorder(rng, running, 1 + len(subject.cams))
    scenario = Scenario(
        running=running,
        faults=_faults(rng, subject),
        recorder=recorder,
        sensors=_sensors(rng, engine, subject),
        wobble_deg=rng.uniform(0.1, 0.5),
        cycle_sd_deg=_log(rng, 0.01, 0.2),
        stretch_deg_per_krpm=rng.uniform(-0.05, 0.1),
    )
    return Case(number, engine, subject, _tidy(scenario) if clean else scenario, wheel)


def _tidy(scenario: Scenario) -> Scenario:
    recorder = replace(
        scenario.recorder,
        rate_hz=max(scenario.recorder.rate_hz, 50e3),
        resolution_s=min(scenario.recorder.resolution_s, 1e-6),
        bits=12,
        noise_v=min(scenario.recorder.noise_v, 0.02),
        drift_v=0.0,
        coupling_hz=0.0,
        spikes_per_s=0.0,
        ignition_v=0.0,
        brush_v=0.0,
    )
    good: dict[str, Any] = {"missing": 0.0, "extra_per_s": 0.0, "swapped": False, "ringing": 0.0, "clip_v": None}
    sensors = tuple((role, replace(s, coil_v_per_krpm=5.0, bias_v=0.0, **good)) for role, s in scenario.sensors)
    return replace(scenario, recorder=recorder, sensors=sensors)


# -------------------------------------------------------------------------------------------------------- engines


def draw_engine(rng: Rng) -> tuple[dict[str, Any], str]:
    """An engine file as a mapping, and the kind of its wheel."""
    cylinders = int(rng.choice([3, 4, 5, 6, 8], p=[0.12, 0.35, 0.08, 0.3, 0.15]))
    vee = {6: 0.7, 8: 1.0, 4: 0.1}.get(cylinders, 0.0) > rng.random()
    order = [1, *(int(c) for c in rng.permutation(np.arange(2, cylinders + 1)))]
    numbers = list(range(1, cylinders + 1))
    banks = {1: numbers[0::2], 2: numbers[1::2]} if vee else {1: numbers}
    sensor, wheel = _crank_sensor(rng)
    stroke = rng.uniform(68.0, 98.0)
    spec: dict[str, Any] = {
        "schema": "tightside/engine/1",
        "name": "drawn at random",
        "cylinders": cylinders,
        "banks": banks,
        "firing_order": order,
        "geometry": {
            "bore_mm": rng.uniform(70.0, 100.0),
            "stroke_mm": stroke,
            "rod_mm": stroke * rng.uniform(1.5, 1.9),
            "compression_ratio": rng.uniform(8.5, 12.5),
        },
        "idle_rpm": rng.uniform(600.0, 950.0),
        "crank_sensor": sensor,
        "cams": _cams(rng, vee),
    }
    if _chance(rng, 0.15):
        spec["firing_angles_deg"] = _uneven_firing(rng, cylinders)
    return spec, wheel


def _uneven_firing(rng: Rng, cylinders: int) -> list[float]:
    even = 720.0 / cylinders
    late = rng.uniform(0.08, 0.28) * even
    return [float(k * even + (late if k % 2 else 0.0)) for k in range(cylinders)]


def _crank_sensor(rng: Rng) -> tuple[dict[str, Any], str]:
    kinds = {"60-2": 34, "36-1": 14, "36-2": 6, "36-2-2-2": 12, "extra": 12, "even": 6, "uneven": 10, "N-m": 6}
    wheel = str(_pick(rng, kinds))
    vr = _chance(rng, 0.15 if wheel == "uneven" else 0.38)
    sensor = {
        "kind": "vr" if vr else "hall",
        "wheel": _wheel(rng, wheel),
        "position_0_deg": float(rng.uniform(0.0, 360.0)),
        "active_edge": str(rng.choice(["rising", "falling"])),
    }
    return sensor, wheel


def _wheel(rng: Rng, kind: str) -> dict[str, Any]:
    if kind in ("60-2", "36-1", "36-2"):
        teeth, missing = (int(p) for p in kind.split("-"))
        return {"teeth": teeth, "missing": list(range(teeth - missing, teeth))}
    if kind == "36-2-2-2":
        alike = [[10, 11, 22, 23, 34, 35]] if _chance(rng, 0.5) else [[14, 15, 17, 18, 34, 35], [9, 10, 25, 26, 34, 35]]
        return {"teeth": 36, "missing": alike[int(rng.integers(len(alike)))]}
    if kind == "even":
        return {"teeth": int(rng.choice([18, 24, 36, 60]))}
    if kind == "extra":
        teeth = int(rng.choice([12, 24, 24, 36]))
        pitch = 360.0 / teeth
        after = int(rng.integers(teeth)) * pitch + float(rng.choice([1 / 3, 0.5, 2 / 3])) * pitch
        return {"edges_deg": sorted([*(k * pitch for k in range(teeth)), after])}
    if kind == "N-m":
        teeth = int(rng.choice([30, 24, 32, 44, 48, 54]))
        return {"teeth": teeth, "missing": list(range(teeth - int(rng.integers(1, 3)), teeth))}
    return {"edges_deg": _uneven_edges(rng)}


def _uneven_edges(rng: Rng) -> list[float]:
    """Four to twelve edges, no two like neighbours: gaps in the ratio 1 to 3."""
    n = int(rng.integers(4, 13))
    gaps = rng.uniform(1.0, 3.0, n)
    gaps[0] *= 1.3
    edges = np.concatenate([[0.0], np.cumsum(gaps)[:-1]]) * 360.0 / gaps.sum()
    return [round(float(e), 2) for e in edges]


def _cams(rng: Rng, vee: bool) -> dict[str, Any]:
    choices = [["1A", "2A"], ["1A", "1B", "2A", "2B"], ["1A"], ["1A", "2A"]] if vee else [["1A"], ["1A", "1B"]]
    names = choices[int(rng.integers(len(choices)))]
    drive = DRIVES[int(rng.integers(len(DRIVES)))]
    vr = _chance(rng, 0.2)
    return {name: _cam(rng, name, drive, vr, "1B" in names) for name in names}


def _cam(rng: Rng, name: str, drive: list[tuple[int, int]], vr: bool, double: bool) -> dict[str, Any]:
    edges = _cam_edges(rng)
    if vr or _chance(rng, 0.1):
        polarity = str(rng.choice(["rising", "falling"]))
        edges = [e for e in edges if e["edge"] == polarity]
    cam: dict[str, Any] = {
        "works": ["intake" if name.endswith("A") else "exhaust"] if double else ["both"],
        "sensor": {"kind": "vr" if vr else "hall", "edges": edges},
        "drive": [{"driver_teeth": a, "driven_teeth": b} for a, b in drive],
    }
    if _chance(rng, 0.5):
        direction = "advance" if name.endswith("A") else "retard"
        cam["phaser"] = {"authority_deg": float(rng.uniform(25.0, 60.0)), "direction": direction}
    return cam


def _cam_edges(rng: Rng) -> list[dict[str, Any]]:
    pulses = int(rng.integers(1, 7))
    if pulses > 1 and _chance(rng, 0.12):  # all alike
        width = rng.uniform(0.2, 0.8) * 720.0 / pulses
        angles = np.ravel([[k * 720.0 / pulses, k * 720.0 / pulses + width] for k in range(pulses)])
    else:
        parts = rng.uniform(0.0, 1.0, 2 * pulses)
        parts = 16.0 + parts / parts.sum() * (720.0 - 32.0 * pulses)
        angles = np.cumsum(parts)
    turned = np.round((angles + rng.uniform(0.0, 720.0)) % 720.0, 2) % 720.0
    named = [{"deg": float(a), "edge": "rising" if k % 2 == 0 else "falling"} for k, a in enumerate(turned)]
    return sorted(named, key=lambda e: e["deg"])


# --------------------------------------------------------------------------------------------- running, faults


def _running(rng: Rng, subject: Subject) -> Running:
    modes = {"cranking": 35, "idle": 28, "steady": 10, "snap": 9, "start": 12, "restart": 6}
    mode = _pick(rng, modes)
    seconds = float(np.clip(_log(rng, 2.0, 14.0), 2.0, 14.0))
    rpm = None
    if mode in ("cranking", "restart"):
        rpm = float(rng.uniform(130.0, 310.0))
    if mode == "steady":
        rpm = _log(rng, 800.0, 4000.0)
    if mode == "restart":
        seconds = max(seconds, 6.0)
    return Running(
        mode=mode,
        seconds=seconds,
        rpm=rpm,
        swing=float(rng.uniform(0.12, 0.5)),
        rest_s=float(rng.uniform(0.0, 0.8)),
        peak_rpm=float(rng.uniform(2000.0, 5000.0)),
        burn_scatter=_log(rng, 0.02, 0.25),
        wander=_log(rng, 0.002, 0.04),
    )


def _faults(rng: Rng, subject: Subject) -> tuple[Fault, ...]:
    kinds = {
        "none": 32, "slip": 29, "slip+other": 4, "wear": 6, "wear+slip": 3, "loose": 11, "slip+loose": 5,
        "stuck": 3, "moving": 3, "lost": 4, "crank-shift": 4,
    }  # fmt: skip
    names = [c.cam for c in subject.cams]
    cam = str(rng.choice(names))
    other = str(rng.choice([n for n in names if n != cam] or [cam]))
    kind = str(_pick(rng, kinds))
    found: list[Fault] = []
    if kind.startswith("slip"):
        found.append(_slip(rng, cam if _chance(rng, 0.6) else cam[:-1], subject))
    if kind == "slip+other" and other != cam:
        found = [_slip(rng, cam, subject), _slip(rng, other, subject)]
    if kind.startswith("wear"):
        found.append(Fault(kind="wear", target=cam[:-1], value=float(rng.uniform(0.8, 5.0))))
    if kind == "wear+slip":
        found.append(Fault(kind="slip", target=cam, value=1.0))
    if kind == "loose" or (kind == "slip+loose" and other[0] != cam[0]):
        found.append(Fault(kind="loose", target=other, value=float(rng.uniform(3.0, 12.0))))
    if kind == "stuck":
        found.append(Fault(kind="stuck", target=cam, value=float(rng.uniform(5.0, 30.0))))
    if kind == "moving":
        found.append(Fault(kind="moving", target=cam, value=float(rng.uniform(8.0, 35.0))))
    if kind == "lost":
        found.append(Fault(kind="lost", target=cam, value=float(rng.choice([1.0, rng.uniform(0.2, 0.8)]))))
    if kind == "crank-shift":
        found.append(Fault(kind="crank-shift", value=float(rng.choice([-1, 1]) * rng.uniform(4.0, 14.0))))
    if _chance(rng, 0.12):
        found.append(Fault(kind="weak", target=str(rng.integers(1, subject.cylinders + 1)), value=rng.uniform(0, 0.7)))
    if _chance(rng, 0.12):
        found.append(
            Fault(kind="leak", target=str(rng.integers(1, subject.cylinders + 1)), value=rng.uniform(0.3, 0.9))
        )
    return tuple(found)


def _slip(rng: Rng, target: str, subject: Subject) -> Fault:
    teeth = float(rng.choice([1, 2, 3], p=[0.7, 0.22, 0.08]) * rng.choice([-1, 1]))
    stages = len(subject.cams[0].stages)
    stage = 1 if stages > 1 and abs(teeth) == 1 and _chance(rng, 0.25) else None
    return Fault(kind="slip", target=target, value=teeth, stage=stage)


# ------------------------------------------------------------------------------------------- sensors, recorders


def _recorder(rng: Rng, running: Running, channels: int) -> Recorder:
    if _chance(rng, 0.25):
        step = float(rng.choice([1e-8, 4e-8, 1e-7, 1e-6, 1e-5, 5e-5], p=[0.25, 0.2, 0.25, 0.15, 0.1, 0.05]))
        return Recorder(kind="edges", resolution_s=step)
    rates = [5e3, 10e3, 20e3, 25e3, 50e3, 100e3, 250e3, 500e3, 1e6]
    rate = float(rng.choice(rates, p=[0.04, 0.08, 0.12, 0.12, 0.2, 0.2, 0.1, 0.07, 0.07]))
    rate = max(r for r in rates if r <= max(rate, 5e3) and (r * running.seconds * channels <= MOST_SAMPLES or r == 5e3))
    return Recorder(
        rate_hz=rate,
        bits=int(rng.choice([8, 10, 12, 14, 16])),
        span_v=float(rng.choice([10.0, 20.0, 20.0, 40.0])),
        noise_v=_log(rng, 0.002, 0.25),
        drift_v=float(rng.uniform(0.05, 0.8)) if _chance(rng, 0.2) else 0.0,
        coupling_hz=_log(rng, 0.05, 3.0) if _chance(rng, 0.1) else 0.0,
        spikes_per_s=_log(rng, 0.2, 30.0) if _chance(rng, 0.22) else 0.0,
        spike_v=float(rng.uniform(0.5, 8.0)),
        ignition_v=float(rng.uniform(0.2, 4.0)) if _chance(rng, 0.22) else 0.0,
        brush_v=_log(rng, 0.02, 0.5) if _chance(rng, 0.4) else 0.0,
    )


def _sensors(rng: Rng, engine: Engine, subject: Subject) -> tuple[tuple[str, Sensor], ...]:
    family = _sensor(rng)
    alike = _chance(rng, 0.7)
    lossy = _chance(rng, 0.12), _chance(rng, 0.12)
    roles = [("crank", subject.wheel.kind), *((f"cam:{c.cam}", subject.kind_of(c.cam)) for c in subject.cams)]
    found = []
    for role, kind in roles:
        sensor = family if alike else _sensor(rng)
        hall_crank = role == "crank" and kind == "hall"
        sensor = replace(
            sensor,
            runout_deg=float(rng.uniform(0.0, 0.15 if role == "crank" else 0.1)),
            runout_phase_deg=float(rng.uniform(0.0, 360.0)),
            tooth_sd_deg=float(rng.uniform(0.0, 0.05)),
            mount_deg=0.0 if role == "crank" else float(0.02 * rng.standard_normal()),
            duty=float(rng.uniform(0.3, 0.7)),
            missing=_log(rng, 1e-4, 1e-2) if lossy[0] else 0.0,
            extra_per_s=_log(rng, 0.1, 5.0) if lossy[1] else 0.0,
            swapped=_chance(rng, 0.02 if hall_crank else 0.09),
        )
        found.append((role, sensor))
    return tuple(found)


def _sensor(rng: Rng) -> Sensor:
    high = float(rng.choice([3.3, 5.0, 5.0, 5.0, 8.0, 12.0]))
    return Sensor(
        low_v=float(rng.uniform(0.0, 0.6)),
        high_v=high * float(rng.uniform(0.93, 1.03)),
        rise_s=_log(rng, 1e-6, 60e-6),
        fall_s=_log(rng, 0.5e-6, 8e-6),
        delay_s=float(rng.uniform(0.0, 15e-6)),
        jitter_deg=_log(rng, 0.004, 0.08),
        jitter_s=_log(rng, 0.1e-6, 4e-6),
        shift_deg_per_krpm=float(0.03 * rng.standard_normal()),
        ringing=float(rng.uniform(0.0, 0.4)) if _chance(rng, 0.3) else 0.0,
        ringing_hz=_log(rng, 5e3, 100e3),
        coil_v_per_krpm=_log(rng, 1.5, 15.0),
        tooth_width=float(rng.uniform(0.25, 0.38)),
        gap_swing=float(rng.uniform(0.0, 0.25)),
        bias_v=float(rng.choice([0.0, 0.0, 1.65, 2.5])),
        clip_v=float(rng.choice([2.5, 5.0, 12.0])) if _chance(rng, 0.25) else None,
    )

"""Which cylinder: how often a leak is named, what a value is worth, whether ranks are right, and pressure's angles.

Run: python benchmarks/cylinders.py [part] [count] [first seed]; parts: leak, pull, pressure, model. Each line of the
tables that it prints is over that many random engines, faults, speeds, batteries and noises. Seeds below 9000 were used
while the measurement was made; report on seeds from 9000 on.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

from tightside.cli.simulate import subject_of, with_real_gas
from tightside.diagnosis import Examination
from tightside.engine.load import read_engine
from tightside.engine.model import Engine
from tightside.engine.patterns import cam_patterns, wheel_pattern
from tightside.joins.cylinders import with_cylinders
from tightside.pipeline import diagnose_recording
from tightside.records import Recording
from tightside.twin.grammar import read_fault
from tightside.twin.scene import Recorder, Running, Scenario, Sensor, Starter
from tightside.twin.simulate import simulate

FEWEST_TURNS = 4  # compressions of each cylinder: less is a starter that is stuck
V8_ORDER = [1, 8, 4, 3, 6, 5, 7, 2]


def engine_of(name: str) -> Engine:
    """A shipped engine, or an eight made of the six."""
    if name != "v8":
        return read_engine(name)
    six = read_engine("demo-v6").model_dump(by_alias=True, exclude_none=True, mode="json")
    return Engine.model_validate(
        {**six, "name": "eight", "cylinders": 8, "banks": {1: [1, 3, 5, 7], 2: [2, 4, 6, 8]}, "firing_order": V8_ORDER,
         "firing_angles_deg": [90.0 * k for k in range(8)]}
    )  # fmt: skip


@dataclass(frozen=True)
class Scene:
    """One random recording."""

    engine: Engine
    faults: tuple[str, ...]
    mode: str
    seconds: float
    rpm: float | None
    also: tuple[str, ...]
    edges: bool = False


def recorded(scene: Scene, rng: np.random.Generator) -> Recording:
    """The recording of a scene, with a random battery, sensor and noise."""
    subject = subject_of(scene.engine)
    noise_v = float(rng.uniform(0.005, 0.05))
    scenario = Scenario(
        running=Running(mode=scene.mode, seconds=scene.seconds, rpm=scene.rpm),  # type: ignore[arg-type]
        faults=tuple(read_fault(f, subject) for f in scene.faults),
        recorder=Recorder(kind="edges" if scene.edges else "sampled", rate_hz=20e3, noise_v=noise_v),
        sensor=Sensor(runout_deg=float(rng.uniform(0.0, 0.08)), tooth_sd_deg=float(rng.uniform(0.01, 0.04)),
                      runout_phase_deg=float(rng.uniform(0, 360))),
    )  # fmt: skip
    subject, scenario = with_real_gas(scene.engine, subject, scenario, scene.also)
    assert scenario.gas is not None
    starter = Starter(battery_v=float(rng.uniform(11.6, 12.8)), battery_ohm=float(rng.uniform(0.006, 0.016)))
    gas = replace(scenario.gas, starter=starter, friction=float(rng.uniform(0.8, 1.15)))
    return simulate(subject, replace(scenario, gas=gas), rng)[0]


def examined(scene: Scene, recording: Recording) -> Examination:
    """What ``diagnose`` makes of it."""
    tops = {n: scene.engine.firing_angle_deg(n) for n in scene.engine.firing_order}
    one = diagnose_recording(recording, wheel_pattern(scene.engine), cam_patterns(scene.engine), tops_deg=tops)
    return with_cylinders(one, scene.engine)


def true_compression(recording: Recording, engine: Engine) -> dict[int, float]:
    """Median gauge peak of each cylinder over the mean of the upper half, from its own pressure channel.

    Empty where the starter is too weak to turn it over.
    """
    peaks = {}
    for n in engine.firing_order:
        channel = recording.with_role(f"cylinder_pressure:{n}")
        assert channel is not None
        p = channel.data.values()  # type: ignore[operator]
        high = np.flatnonzero((p[1:-1] >= p[:-2]) & (p[1:-1] > p[2:]) & (p[1:-1] > 0.6 * p.max())) + 1
        groups = np.split(high, np.flatnonzero(np.diff(high) > 2000) + 1)
        if len(groups) < FEWEST_TURNS:
            return {}
        peaks[n] = float(np.median([p[g].max() for g in groups][1:])) - 98.5
    best = float(np.sort(list(peaks.values()))[len(peaks) // 2 :].mean())
    return {n: p / best for n, p in peaks.items()}


# ------------------------------------------------------------------------------------------------------------- tables


def leak_case(seed: int) -> dict[str, float]:
    """One cranking recording with one leaking cylinder, or none."""
    rng = np.random.default_rng(seed)
    engine = engine_of(str(rng.choice(["demo-i4", "demo-v6", "v8"])))
    order = engine.firing_order
    bad = int(rng.choice(order)) if rng.random() < 0.7 else None
    kind = str(rng.choice(["leak", "bent"]))
    faults = () if bad is None else (f"leak:{bad}={rng.uniform(0.4, 0.8):.2f}",)
    if bad is not None and kind == "bent":
        faults = (f"bent-exhaust:{bad}={rng.uniform(4.0, 12.0):.1f}",)
    role = str(rng.choice(["starter_current", "battery_voltage", ""]))
    also = tuple(f"cylinder_pressure:{n}" for n in order) + ((role,) if role else ())
    scene = Scene(engine, faults, "cranking", 5.0, float(rng.uniform(150.0, 260.0)), also)
    recording = recorded(scene, rng)
    truth = true_compression(recording, engine)
    if not truth:
        return leak_case(seed + 100_000)
    bare = replace(recording, channels=tuple(c for c in recording.channels if "pressure" not in (c.role or "")))
    found = examined(scene, bare)
    parts = found.diagnosis.cylinders or ()
    given = {p.cylinder: p for p in parts if p.relative_compression is not None}
    called = {n for n, p in given.items() if p.sealing in ("suspect", "poor")}
    off = [abs((p.relative_compression or 0.0) - truth[n]) for n, p in given.items() if n is not None]
    low = truth[bad] < 0.84 if bad is not None else False
    explained = found.cylinders is not None and bool(found.cylinders.compression_from)
    return {
        "given": float(explained),
        "leaky": float(low),
        "named": float(low and called == {bad}),
        "found": float(low and bad in called),
        "healthy": float(bad is None),
        "false": float(bad is None and bool(called)),
        "wrong": float(bool(called - {bad})),
        "error": float(np.median(off)) if off else np.nan,
        "worst": float(np.max(off)) if off else np.nan,
        "role": {"starter_current": 0.0, "battery_voltage": 1.0, "": 2.0}[role],
        "cylinders": float(len(order)),
    }


def pull_case(seed: int) -> dict[str, float]:
    """One idling or snapped engine with one or two weak cylinders, or none; crank and cams only."""
    rng = np.random.default_rng(seed)
    engine = engine_of(str(rng.choice(["demo-i4", "demo-v6", "v8"])))
    order = engine.firing_order
    count = int(rng.choice([0, 1, 1, 2]))
    bad = [int(n) for n in rng.choice(order, count, replace=False)]
    left = np.sort(rng.uniform(0.1, 0.75, count))
    if count == 2 and left[1] - left[0] < 0.25:
        left = np.array([0.2, 0.6])
    faults = tuple(f"weak:{n}={s:.2f}" for n, s in zip(bad, left, strict=True))
    mode = str(rng.choice(["idle", "idle", "snap"]))
    scene = Scene(engine, faults, mode, 8.0, None, (), edges=True)
    found = examined(scene, recorded(scene, rng)).diagnosis.cylinders or ()
    pulls = {p.cylinder: p for p in found if p.contribution is not None}
    ranked = sorted(pulls, key=lambda n: pulls[n].contribution or 0.0)
    called = {n for n, p in pulls.items() if p.pulls in ("weak", "none")}
    return {
        "given": float(bool(pulls)),
        "weak": float(count > 0),
        "ranked": float(count > 0 and ranked[:count] == bad),
        "called": float(count > 0 and set(bad) <= called),
        "false": float(bool(called - set(bad))),
    }


def pressure_case(seed: int) -> dict[str, float]:
    """One cylinder's pressure, cranking or at idle without its spark, cams slipped or not, the wheel moved or not."""
    rng = np.random.default_rng(seed)
    engine = engine_of(str(rng.choice(["demo-i4", "demo-v6"])))
    number = int(rng.choice(engine.firing_order))
    bank = engine.bank_of(number)
    cams = [c for c in engine.cams if c[:-1] == str(bank)]
    slips = {c: int(rng.choice([-1, 0, 0, 1, 2])) for c in cams}
    cranking = rng.random() < 0.6
    shift = float(rng.choice([0.0, 0.0, 6.0]))
    faults = [f"slip:{c}={t:+d}" for c, t in slips.items() if t] + ([] if cranking else [f"weak:{number}=0"])
    faults += [f"crank-shift={shift}"] if shift else []
    mode, rpm = ("cranking", float(rng.uniform(150.0, 260.0))) if cranking else ("idle", None)
    scene = Scene(engine, tuple(faults), mode, 5.0, rpm, (f"cylinder_pressure:{number}",))
    found = examined(scene, recorded(scene, rng)).diagnosis.pressure or ()
    part = found[0] if found else None
    told = part.offsets if part is not None else {}
    pitch = {p.cam: 720.0 / p.stages[-1].driven_teeth for p in cam_patterns(engine)}
    off = [abs(o["offset_deg"] - slips[c] * pitch[c]) for c, o in told.items()]
    inside = [o["ci95_deg"][0] <= slips[c] * pitch[c] <= o["ci95_deg"][1] for c, o in told.items()]
    calls = [(o["teeth_call"], slips[c]) for c, o in told.items()]
    top = abs(part.tdc_deg + shift) if part is not None and part.tdc_deg is not None else np.nan
    return {
        "given": float(bool(told)),
        "offset": float(np.median(off)) if off else np.nan,
        "worst": float(np.max(off)) if off else np.nan,
        "covered": float(np.mean(inside)) if inside else np.nan,
        "top": float(top),
        "called": float(np.mean([c is not None for c, _ in calls])) if calls else np.nan,
        "miscalled": float(np.mean([c is not None and c != s for c, s in calls])) if calls else np.nan,
    }


def model_case(seed: int) -> dict[str, float]:
    """The same from the tests' own cycle model, which shares nothing with the twin or the measurement."""
    import cylinder_model as own
    from tightside.cylinders.pressure import Place, measure_pressure

    case = own.drawn_case(seed)
    found = measure_pressure(own.trace_of(case), own.cylinder_of(case), Place(360.0, True, 0.02))
    late = {"intake": case.intake_late_deg, "exhaust": case.exhaust_late_deg}
    off = [abs(o.offset_deg - late[o.valve]) for o in found.offsets]
    inside = [abs(o.offset_deg - late[o.valve]) <= 1.96 * o.sd_deg for o in found.offsets]
    return {
        "given": float(len(off) / 2),
        "offset": float(np.median(off)) if off else np.nan,
        "worst": float(np.max(off)) if off else np.nan,
        "covered": float(np.mean(inside)) if inside else np.nan,
        "top": abs(found.tdc_deg - case.top_shift_deg) if found.tdc_deg is not None else np.nan,
    }


CASES: dict[str, Callable[[int], dict[str, float]]] = {
    "leak": leak_case,
    "pull": pull_case,
    "pressure": pressure_case,
    "model": model_case,
}


def table(part: str, count: int, first: int) -> dict[str, float]:
    """Means over the cases; medians and 95th percentiles of errors."""
    rows = [CASES[part](seed) for seed in range(first, first + count)]
    columns = {name: np.array([row[name] for row in rows]) for name in rows[0]}
    out: dict[str, float] = {"cases": count, "given": float(columns["given"].mean())}
    for name in ("error", "worst", "offset", "top"):
        if name in columns and np.isfinite(columns[name]).any():
            out[f"{name} median"] = float(np.nanmedian(columns[name]))
            out[f"{name} 95 %"] = float(np.nanpercentile(columns[name], 95))
    for name, of in (
        ("named", "leaky"),
        ("found", "leaky"),
        ("false", "healthy"),
        ("ranked", "weak"),
        ("called", "weak"),
    ):
        if name in columns and of in columns and columns[of].sum():
            out[f"{name} of {of}"] = float((columns[name] * columns[of]).sum() / columns[of].sum())
    for name in ("covered", "called", "miscalled", "false", "wrong"):
        if name in columns:
            out[name] = float(np.nanmean(columns[name]))
    return out


if __name__ == "__main__":
    chosen = sys.argv[1:2] or list(CASES)
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 40
    first = int(sys.argv[3]) if len(sys.argv) > 3 else 9000
    for part in chosen:
        print(part, {k: round(v, 4) for k, v in table(part, count, first).items()}, flush=True)

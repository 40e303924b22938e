"""Recordings of invented engines with known faults, drawn by seed; see README.md beside this file.

It shares no code with the package and none of its physics: motion is written down rather than integrated, sensors are
comparators in fields and sums of pulses. It exists so that estimators are not judged only by the simulator they grew
up with.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.random import Generator
from ruamel.yaml import YAML

from outside.engines import Dict, Floats, crank_pitch_deg, draw_engine, pick, wheel_positions_deg
from outside.faults import Faults, draw_faults, lag_deg
from outside.motion import Motion, draw_motion, firing_times_s
from outside.recorders import (
    Layout,
    Wire,
    brushes,
    converted,
    edge_list_text,
    filtered,
    level_voltage,
    ringing,
    sampled_text,
)
from outside.sensors import (
    Coil,
    Nasty,
    Toggles,
    cam_wheel,
    coil,
    coil_toggles,
    crank_wheel,
    hall_toggles,
    with_glitches,
)
from outside.truth import judge_truth

SPANS_V = [(0.0, 5.0), (0.1, 4.8), (0.0, 12.0), (0.4, 13.8), (1.2, 3.8), (0.0, 3.3), (0.02, 0.5)]


@dataclass(frozen=True)
class Case:
    """One recording, the engine it was made on, and the truth.

    ``truth`` holds ``mode``, ``disturbances`` and ``cams``: per recorded cam ``offset_deg`` (mean over the edges that
    the sensor gave of true minus nominal angle, as seen from the crank wheel), ``teeth``, ``erratic``, ``callable``,
    ``reason``, ``offset_known`` and ``erratic_known`` (whether an estimate can fairly be held against the truth), and
    the parts that make up the offset.
    """

    seed: int
    engine: Dict
    csv_text: str
    channels: dict[str, str]  # role: column; empty where the headings are the roles
    truth: Dict
    kind: str = "sampled"
    details: Dict = field(default_factory=dict, repr=False)

    def write(self, path: Path) -> Path:
        path.write_text(self.csv_text, newline="")
        return path

    def write_engine(self, path: Path) -> Path:
        with path.open("w") as out:
            YAML(typ="safe").dump(self.engine, out)
        return path


@dataclass(frozen=True)
class Setting:
    """What every step of a drawing needs: the dice, the engine and how it turns, and what was done to it."""

    rng: Generator
    engine: Dict
    motion: Motion
    notes: list[str]
    clean: bool = False
    harsh: bool = False
    edges: bool = False  # an edge recorder

    def chance(self, probability: float) -> bool:
        return bool(self.rng.random() < probability * (2.5 if self.harsh else 1.0)) and not self.clean

    def size(self, typical: float, most: float, spread: float = 0.6) -> float:
        return float(min(typical * np.exp(self.rng.normal(0, spread)), most))


@dataclass(frozen=True)
class Source:
    """One sensor's output and the shaft angle it reads. A coil has ``made``; its toggles are an input circuit's."""

    role: str
    phase_deg: Floats
    nasty: Nasty
    toggles: Toggles
    made: Coil | None = None
    there_s: tuple[float, float] | None = None  # when the signal is there, if not always
    bias_deg: float = 0.0  # by how much wiring hides where its edges are


# ---------------------------------------------------------------------------------------------------------- sensors


def draw_nasty(at: Setting, role: str, kind: str) -> Nasty:
    """How bad one sensor and its wheel are. Most are decent."""
    if at.clean:
        return Nasty()
    rng, crank = at.rng, role == "crank"
    out = Nasty(
        tooth_deg=at.size(0.03 if crank else 0.06, 0.3),
        eccentric_deg=at.size(0.04 if crank else 0.06, 0.3),
        field=at.size(0.08 if kind == "hall" else 0.15, 0.3),
        flank_deg=float(rng.uniform(0.2, 0.7)),
        jitter_s=at.size(1e-6, 1e-5),
        delay_s=float(rng.uniform(2e-6, 2e-5)),
        rise_s=at.size(6e-6, 2e-4, 1.0),
        fall_s=at.size(1e-6, 4e-6),
        near_gap=float(rng.uniform(-0.1, 0.28)) if crank and rng.random() < 0.25 else 0.0,
    )

    def sometimes(probability: float, what: str, **change: Any) -> None:
        nonlocal out
        if at.chance(probability):
            out = replace(out, **change)
            at.notes.append(f"{role}: {what}")

    sometimes(0.05, "slow rise", rise_s=float(rng.uniform(4e-5, 2.5e-4)))
    sometimes(0.03, "missing pulses", missing=float(rng.uniform(0.0005, 0.006)) * (1 if crank else 5))
    sometimes(0.03, "swapped polarity", swapped=True)
    if crank:
        sometimes(0.03, "bent tooth", bent_deg=float(rng.uniform(0.3, 1.5)))
        sometimes(0.02, "noisy wheel", wheel_noise=float(rng.uniform(0.02, 0.085)))
    if kind == "hall":
        sometimes(0.04, "extra pulses", extra=float(rng.uniform(0.001, 0.02)))
        sometimes(0.02 if crank else 0.0, "stretched pulses", stretched=float(rng.uniform(0.01, 0.1)))
        sometimes(0.06 if "motion: from rest" in at.notes else 0.0, "chatter at the start", chatter=True)
    return out


def _hall_source(at: Setting, role: str, phase: Floats, nasty: Nasty) -> Source:
    cam = at.engine["cams"].get(role[4:])
    wheel = cam_wheel(at.rng, cam) if cam else crank_wheel(at.rng, at.engine)
    toggles = hall_toggles(at.rng, wheel, nasty, at.motion, phase)
    one_polarity = cam is None or len({e["edge"] for e in cam["sensor"]["edges"]}) == 1
    hidden = float((wheel.end_deg - wheel.begin_deg).min()) if nasty.swapped and one_polarity else 0.0
    return Source(role, phase, nasty, toggles, bias_deg=hidden)


def _coil_source(at: Setting, role: str, phase: Floats, nasty: Nasty) -> Source:
    cam = at.engine["cams"].get(role[4:])
    if cam:
        teeth, period, sigma = np.array([e["deg"] for e in cam["sensor"]["edges"]]), 720.0, float(at.rng.uniform(4, 9))
    else:
        teeth, period = wheel_positions_deg(at.engine), 360.0
        sigma = crank_pitch_deg(at.engine) * float(at.rng.uniform(0.2, 0.32))
    made = coil(at.rng, teeth, period, sigma, nasty)
    toggles = coil_toggles(at.rng, made, sigma, nasty, at.motion, phase)
    # sampled, the sharp crossing tells which way it is wired; a logic level does not
    return Source(role, phase, nasty, toggles, made, bias_deg=1.3 * sigma if nasty.swapped and at.edges else 0.0)


def _source(at: Setting, role: str, kind: str, phase: Floats) -> Source:
    nasty = draw_nasty(at, role, kind)
    return (_hall_source if kind == "hall" else _coil_source)(at, role, phase, nasty)


def _cut(at: Setting, source: Source, signal: str) -> Source:
    """Take a signal away, wholly or for a part of the time."""
    end = at.motion.duration_s
    if signal == "good":
        return source
    start, stop = 0.0, 0.0
    if signal == "leaves":
        stop = end * float(at.rng.uniform(0.2, 0.8))
    elif signal == "part":
        start, stop = end * float(at.rng.uniform(0.15, 0.5)), end
    times = source.toggles.times_s
    kept = times[(times > start) & (times < stop)]
    first = int(source.toggles.level(np.array([start]))[0])
    return replace(source, toggles=Toggles(kept, first), there_s=(start, stop))


def draw_sources(at: Setting, faults: Faults) -> tuple[list[Source], dict[str, Floats]]:
    """All sensors of the case, and the lag of each cam."""
    kind = at.engine["crank_sensor"]["kind"]
    crank = _source(at, "crank", kind, at.motion.theta_deg - faults.wheel_moved_deg)
    sources, lags = [_cut(at, crank, "good" if faults.crank_signal else "lost")], {}
    for name, fault in faults.cams.items():
        cam = at.engine["cams"][name]
        lags[name] = lag_deg(at.rng, cam, fault, at.motion, clean=at.clean)
        source = _source(at, f"cam:{name}", cam["sensor"]["kind"], at.motion.theta_deg - lags[name])
        sources.append(_cut(at, source, fault.signal))
    return sources, lags


# -------------------------------------------------------------------------------------------------------- headings


def _columns(at: Setting, roles: list[str]) -> dict[str, str]:
    """Headings: the roles themselves, plain words, or names that tell nothing."""
    style = pick(at.rng, ["roles", "numbered", "letters", "words"], [0.5, 0.2, 0.2, 0.1])
    shuffled = list(at.rng.permutation(len(roles)))
    if style == "numbered":
        return {r: f"Channel {shuffled[k]}" for k, r in enumerate(roles)}
    if style == "letters":
        name = pick(at.rng, ["Channel {}", "{}", "D{}" if at.edges else "In {} (V)"])
        return {r: name.format("ABCDEFGH"[shuffled[k]]) for k, r in enumerate(roles)}
    if style == "words":
        return {r: {"crank": "CKP"}.get(r, f"CMP {r[4:]}") for r in roles}
    return {r: r for r in roles}


def _layout(at: Setting) -> Layout:
    if at.clean:
        return Layout()
    rng = at.rng
    style = pick(rng, ["plain", "ms", "semicolon", "tab", "units", "pretrigger"], [0.55, 0.1, 0.1, 0.05, 0.08, 0.12])
    heading = pick(rng, ["Time [s]", "time_s", "Time", "t [s]"], [0.4, 0.2, 0.3, 0.1])
    if style == "ms":
        return Layout("Time [ms]", 1000.0)
    if style == "semicolon":
        return Layout(heading, delimiter=";", comma_decimal=True, newline="\r\n")
    if style == "tab":
        return Layout(heading, delimiter="\t")
    if style == "units":
        return Layout("Time", second_line="(s)", newline="\r\n")
    return Layout(heading, start_s=-float(rng.integers(1, 40)) / 10 if style == "pretrigger" else 0.0)


def _timed(layout: Layout, digits: int) -> Layout:
    return replace(layout, time_digits=digits - 3 if layout.per_second > 1 else digits)


def _ordered(at: Setting, columns: dict[str, Any]) -> dict[str, Any]:
    return {c: columns[c] for c in sorted(columns)} if at.rng.random() < 0.5 else columns


# --------------------------------------------------------------------------------------------------- edge recorder


def edge_text(at: Setting, sources: list[Source], columns: dict[str, str]) -> str:
    """What an edge recorder writes."""
    clocks, weights = [(1e-7, 7), (4e-8, 9), (1e-6, 6), (1e-5, 5), (5e-5, 5)], [0.25, 0.3, 0.3, 0.1, 0.05]
    step, digits = (1e-7, 7) if at.clean else pick(at.rng, clocks, weights)
    spikes = at.motion.mode == "running" and at.chance(0.06)
    at.notes.extend(["ignition spikes"] if spikes else [])
    outputs = {}
    for source in sources:
        out = source.toggles if at.clean else _slow_rise(at.rng, source)
        outputs[columns[source.role]] = _with_spikes(at, out) if spikes else out
    layout = _timed(_layout(at), digits)
    layout = replace(layout, second_line="")
    return edge_list_text(layout, _ordered(at, outputs), at.motion.duration_s, step)


def _with_spikes(at: Setting, toggles: Toggles) -> Toggles:
    fired = firing_times_s(at.motion, at.engine, float(at.rng.uniform(8, 25)))
    fired = fired[at.rng.random(len(fired)) < 0.3]
    return with_glitches(toggles, fired, np.maximum(at.rng.exponential(8e-6, len(fired)), 1e-6))


def _slow_rise(rng: Generator, source: Source) -> Toggles:
    """A comparator in the recorder sees slow rises late."""
    times, nasty = source.toggles.times_s, source.nasty
    rises = (source.toggles.first + np.arange(len(times))) % 2 == 0
    threshold = float(rng.uniform(0.35, 0.65))
    late = np.where(rises, nasty.rise_s, nasty.fall_s) / 2.2 * -np.log(1 - threshold)
    late = np.minimum(late, 0.45 * np.diff(times, append=np.inf))
    return Toggles(times + late, source.toggles.first)


# ------------------------------------------------------------------------------------------------ sampling recorder


def _rate_hz(at: Setting) -> float:
    """A usual rate that follows the teeth and keeps the file in bounds."""
    least = 8 * float(at.motion.speed_deg_s().max()) / crank_pitch_deg(at.engine)
    usual = np.array([5e3, 1e4, 2e4, 2.5e4, 5e4, 1e5, 2e5, 2.5e5, 5e5])
    fits = usual[(usual >= least) & (usual * at.motion.duration_s <= 160_000)]
    return float(at.rng.choice(fits)) if len(fits) else float(usual[usual >= least][0])


def draw_wire(at: Setting) -> Wire:
    """What disturbs the wires of a sampled recording, in volts beside a swing of 5 V."""
    rng, running = at.rng, at.motion.mode == "running"

    def sometimes(probability: float, what: str, value: float, otherwise: float = 0.0) -> float:
        if not at.chance(probability):
            return otherwise
        at.notes.append(what)
        return value

    return Wire(
        noise_v=at.size(0.012, 0.15, 0.8),
        hum_v=sometimes(0.08, "mains hum", float(rng.uniform(0.05, 0.4))),
        hum_hz=float(rng.choice([50.0, 60.0])),
        spike_v=sometimes(0.2 if running else 0.0, "ignition spikes", float(rng.uniform(0.2, 3.0))),
        brush_v=sometimes(0.0 if running else 0.3, "starter brushes", at.size(0.08, 0.5)),
        ground_v=sometimes(0.12, "ground shifts", float(rng.uniform(0.1, 0.7))),
        bits=int(sometimes(0.06, "few bits", float(rng.integers(5, 8)), float(rng.choice([8, 10, 12, 12, 14, 16])))),
        jitter_samples=sometimes(0.06, "clock jitter", float(rng.uniform(0.05, 0.25))),
        coupling_hz=sometimes(0.06, "AC coupled", float(rng.uniform(0.5, 5.0))),
    )


def sampled_recording(at: Setting, sources: list[Source], columns: dict[str, str]) -> tuple[str, float]:
    """What a sampling recorder writes, and its rate."""
    rng, rate, wire = at.rng, _rate_hz(at), draw_wire(at)
    ticks = np.arange(int(at.motion.duration_s * rate)) / rate
    late = np.clip(rng.standard_normal(len(ticks)) * wire.jitter_samples, -0.49, 0.49)
    actual = np.clip(ticks + late / rate, 0, at.motion.duration_s)
    common = common_voltage(at, wire, actual, rate)
    span = pick(rng, SPANS_V, [0.35, 0.2, 0.15, 0.05, 0.1, 0.1, 0.05])
    traces = {}
    for source in sources:
        hall = source.made is None
        volts = _hall_voltage(source, actual, rate, span) if hall else _coil_voltage(at, source, actual, rate)
        share = (span[1] - span[0]) / 5 if hall else 0.25
        noise = wire.noise_v * rng.standard_normal(len(ticks))
        volts = volts + share * (common * float(rng.uniform(0.5, 1.2)) + noise)
        if wire.coupling_hz:
            volts = filtered(volts, rate, wire.coupling_hz, high_pass=True)
        traces[columns[source.role]] = _digitised(at, volts, wire.bits, source)
    return sampled_text(_timed(_layout(at), 7), ticks, _ordered(at, traces), 4 if span[1] < 1 else 3), rate


def common_voltage(at: Setting, wire: Wire, times_s: Floats, rate_hz: float) -> Floats:
    """What all wires pick up, for a swing of 5 V."""
    rng = at.rng
    out = wire.hum_v * np.sin(2 * np.pi * wire.hum_hz * times_s + 1)
    speed = np.interp(times_s, at.motion.times_s, at.motion.speed_deg_s())
    if wire.spike_v:
        fired = firing_times_s(at.motion, at.engine, float(rng.uniform(8, 25)))
        out += ringing(rng, times_s, fired, wire.spike_v)
    if wire.brush_v:
        out += wire.brush_v * brushes(rng, at.motion.angle_at(times_s), speed, rate_hz)
    if wire.ground_v:
        sag = 1 - speed / max(float(speed.max()), 1.0)  # slower under compression: more current
        steps = np.searchsorted(np.sort(rng.uniform(0, times_s[-1], 2)), times_s) % 2
        out += wire.ground_v * (0.6 * sag + 0.4 * steps)
    return np.asarray(out)


def _hall_voltage(source: Source, times_s: Floats, rate_hz: float, span: tuple[float, float]) -> Floats:
    rise, fall = max(source.nasty.rise_s, 0.3 / rate_hz), max(source.nasty.fall_s, 0.3 / rate_hz)
    return level_voltage(source.toggles, times_s, *span, rise, fall)


def _coil_voltage(at: Setting, source: Source, times_s: Floats, rate_hz: float) -> Floats:
    assert source.made is not None
    rng = at.rng
    phase = np.interp(times_s, at.motion.times_s, source.phase_deg)
    speed = np.interp(times_s, at.motion.times_s, np.gradient(source.phase_deg, at.motion.times_s))
    volts = source.made.voltage(phase, speed / 1200.0) * float(rng.uniform(0.5, 2.5))
    volts = filtered(volts, rate_hz, 1 / (2 * np.pi * float(rng.uniform(3e-6, 3e-5))), high_pass=False)
    if rng.random() < 0.3:
        clamp = float(rng.uniform(4, 20))
        volts = clamp * np.tanh(volts / clamp)
    if source.there_s is not None:
        volts = np.where((times_s > source.there_s[0]) & (times_s < source.there_s[1]), volts, 0.0)
    return (-volts if source.nasty.swapped else volts) + float(rng.choice([0.0, 0.0, 1.6, 2.5]))


def _digitised(at: Setting, volts: Floats, bits: int, source: Source) -> Floats:
    """Range as a careful hand sets it; now and then too small, so that tops are cut off, or wrap."""
    low, high = np.percentile(volts, [0.02, 99.98])
    room = 0.15 * (high - low) + 0.02
    if source.made is None or not at.chance(0.06):
        return converted(volts, low - room, high + room, bits)
    room = -0.25 * (high - low)
    wrap = bool(at.rng.random() < 0.3)
    at.notes.append(f"{source.role}: tops {'wrap' if wrap else 'cut off'}")
    return converted(volts, low - room, high + room, max(bits, 8), wrap=wrap)


# ------------------------------------------------------------------------------------------------------------ cases


def _recorded(rng: Generator, engine: Dict, clean: bool) -> list[str]:
    """Which cams have a channel: recorders have two, four or more."""
    cams = sorted(engine["cams"])
    room = len(cams) if clean else int(pick(rng, [1, 3, len(cams)], [0.25, 0.35, 0.4]))
    return sorted(rng.permutation(cams)[:room].tolist())


def _duration_s(rng: Generator) -> float:
    if rng.random() < 0.06:
        return float(rng.uniform(0.3, 0.8))
    return float(np.exp(rng.uniform(np.log(1.2), np.log(12.0))))


def draw_case(seed: int, *, clean: bool = False, scene: str | None = None) -> Case:
    """Draw an engine, a motion, faults, sensors and a recorder.

    Parameters
    ----------
    seed : int
        The same seed gives the same case, byte by byte.
    clean : bool
        A perfect edge recorder at idle, on perfect wheels; faults are drawn all the same.
    scene : str, optional
        One of ``faults.SCENES``; drawn by its weight where not given.
    """
    rng = np.random.default_rng([seed, 20_260_411])
    engine = draw_engine(rng)
    motion = draw_motion(rng, engine, 4.0 if clean else _duration_s(rng), clean=clean)
    faults = draw_faults(rng, engine, _recorded(rng, engine, clean), motion, scene)
    harsh, edges = not clean and bool(rng.random() < 0.12), clean or bool(rng.random() < 0.38)
    notes = [*faults.notes, *motion.notes, *(["a harsh recording"] if harsh else [])]
    at = Setting(rng, engine, motion, notes, clean, harsh, edges)
    sources, lags = draw_sources(at, faults)
    columns = _columns(at, [s.role for s in sources])
    text, rate = (edge_text(at, sources, columns), None) if edges else sampled_recording(at, sources, columns)
    cuts = {s.role: s.there_s for s in sources if s.there_s is not None}
    truth = judge_truth(engine, motion, faults, lags, cuts, {s.role: s.bias_deg for s in sources})
    truth["disturbances"] = notes
    details = {"rate_hz": rate, "duration_s": motion.duration_s, "columns": columns, "motion": motion}
    mapping = {} if all(r == c for r, c in columns.items()) else columns
    return Case(seed, engine, text, mapping, truth, "edges" if edges else "sampled", details)

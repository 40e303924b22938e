# mypy: disable-error-code="no-any-return"
"""Recorders: what a shop's instrument makes of the sensors' outputs, down to the text of the file."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator

from outside.engines import Floats
from outside.sensors import Toggles


@dataclass(frozen=True)
class Layout:
    """How the file is written."""

    time_heading: str = "Time [s]"
    per_second: float = 1.0  # 1000 where the time is in ms
    time_digits: int = 7
    delimiter: str = ","
    comma_decimal: bool = False
    second_line: str = ""  # units under the headings, as many recorders write them
    start_s: float = 0.0  # what the recorder calls the first instant
    newline: str = "\n"


@dataclass(frozen=True)
class Wire:
    """Disturbances on the wires of a sampled recording, in volts, common to all channels but for a factor each."""

    noise_v: float = 0.0
    hum_v: float = 0.0
    hum_hz: float = 50.0
    spike_v: float = 0.0
    brush_v: float = 0.0
    ground_v: float = 0.0
    bits: int = 12
    jitter_samples: float = 0.0
    coupling_hz: float = 0.0  # high-pass corner, 0: direct
    notes: list[str] = field(default_factory=list)


def level_voltage(toggles: Toggles, times_s: Floats, low: float, high: float, rise_s: float, fall_s: float) -> Floats:
    """An open collector: pulled up slowly through a resistor, pulled down fast."""
    levels = (toggles.first + np.arange(len(toggles.times_s) + 1)) % 2
    target = np.where(levels == 1, high, low)
    tau = np.where(levels == 1, rise_s, fall_s) / 2.2
    stay = np.diff(toggles.times_s, prepend=-1.0)
    reached = target[:-1] + (target[1:] - target[:-1]) * np.exp(-np.minimum(stay / tau[:-1], 50))
    begin = np.concatenate([target[:1], reached])
    segment = np.searchsorted(toggles.times_s, times_s, side="right")
    since = times_s - np.concatenate([[-1.0], toggles.times_s])[segment]
    return target[segment] + (begin[segment] - target[segment]) * np.exp(-np.minimum(since / tau[segment], 50))


def filtered(values: Floats, rate_hz: float, corner_hz: float, *, high_pass: bool) -> Floats:
    """First-order filter, as of a coupling capacitor or a coil's own inductance, started at rest."""
    start = float(np.mean(values[: max(len(values) // 200, 1)])) if high_pass else float(values[0])
    pad = int(min(rate_hz / corner_hz, 3 * len(values))) + 16
    spectrum = np.fft.rfft(np.pad(values - start, (0, pad)))
    ratio = 1j * np.fft.rfftfreq(len(values) + pad, 1 / rate_hz) / corner_hz
    spectrum *= ratio / (1 + ratio) if high_pass else 1 / (1 + ratio)
    out = np.fft.irfft(spectrum, len(values) + pad)[: len(values)]
    return out if high_pass else out + start


def ringing(rng: Generator, times_s: Floats, bursts_s: Floats, height: float) -> Floats:
    """Ignition on the wires: a burst that rings and dies, at each of these instants."""
    out = np.zeros_like(times_s)
    tau, hz = float(rng.uniform(3e-5, 2.5e-4)), float(rng.uniform(4e3, 6e4))
    for start in bursts_s:
        a, b = np.searchsorted(times_s, [start, start + 8 * tau])
        since = times_s[a:b] - start
        size = height * float(rng.lognormal(0, 0.4)) * float(rng.choice([-1, 1]))
        out[a:b] += size * np.exp(-since / tau) * np.cos(2 * np.pi * hz * since)
    return out


def brushes(rng: Generator, theta_deg: Floats, speed: Floats, rate_hz: float) -> Floats:
    """A starter's commutator: bars passing at a fixed ratio to the crank, and sparks in a band, by speed."""
    bars = float(rng.uniform(10, 16)) * float(rng.integers(20, 30))
    tones = sum(np.sin(np.radians(theta_deg * bars * k) + float(rng.uniform(0, 6.28))) / k for k in (1, 2))
    noise = rng.standard_normal(len(theta_deg))
    width = max(int(rate_hz / 4000), 1)
    band = np.convolve(noise, np.ones(width) / width**0.5, mode="same")
    weight = np.clip(speed / (np.median(speed) + 1), 0, 1.5)
    return weight * (0.5 * tones + 0.6 * band)


def converted(values: Floats, low: float, high: float, bits: int, *, wrap: bool = False) -> Floats:
    """Through an analogue-digital converter: stepped, and cut off or wrapped round at its ends."""
    step = (high - low) / 2**bits
    code = np.round((values - low) / step)
    code = np.mod(code, 2**bits) if wrap else np.clip(code, 0, 2**bits - 1)
    return low + code * step


def _numbers(values: Floats, digits: int, layout: Layout) -> list[str]:
    unique, where = np.unique(values, return_inverse=True)
    texts = [f"{v:.{digits}f}" for v in unique.tolist()]
    if layout.comma_decimal:
        texts = [t.replace(".", ",") for t in texts]
    return (
        np.array(texts, dtype=object)[where].tolist()
        if len(unique) < len(values)
        else [texts[k] for k in where.tolist()]
    )


def _file(layout: Layout, headings: list[str], columns: list[list[str]]) -> str:
    sep = layout.delimiter
    lines = [sep.join([layout.time_heading, *headings])]
    if layout.second_line:
        lines += [sep.join([layout.second_line, *["(V)"] * len(headings)]), ""]
    lines += map(sep.join, zip(*columns, strict=True))
    return layout.newline.join(lines) + layout.newline


def sampled_text(layout: Layout, times_s: Floats, traces: dict[str, Floats], digits: int) -> str:
    times = _numbers((times_s + layout.start_s) * layout.per_second, layout.time_digits, layout)
    return _file(layout, list(traces), [times, *(_numbers(v, digits, layout) for v in traces.values())])


def edge_list_text(layout: Layout, outputs: dict[str, Toggles], duration_s: float, step_s: float) -> str:
    """A row for each change of any channel, with the levels of all; a first row at the start, a last one at the end."""
    changes = np.unique(np.concatenate([np.ceil(o.times_s / step_s) * step_s for o in outputs.values()]))
    times = np.concatenate([[0.0], changes, [duration_s] if len(changes) == 0 or duration_s > changes[-1] else []])
    columns = [_numbers((times + layout.start_s) * layout.per_second, layout.time_digits, layout)]
    columns += [[str(v) for v in o.level(times).tolist()] for o in outputs.values()]
    return _file(layout, list(outputs), columns)

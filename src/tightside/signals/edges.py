"""Sensor voltage to sub-sample level changes, at the speed of memory.

One pass takes the extrema of short blocks; what is noise, what is a swing, and where the levels are is decided from
those, and only blocks that can hold a change are looked at sample by sample. Nothing is assumed about levels or speed:
a tooth is a swing that stands out of the noise and is not small beside the swings around it.

Source: our derivation; ``tests/test_edges_*.py`` shows it on simulated truth. The place of a step in noise is the
maximum-likelihood change point of Hinkley, Biometrika 57 (1970) 1 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.records import Bools, Channel, EdgeTrain, Floats, Levels, Quality, Readings, SensorKind, Trace
from tightside.signals.edge_patterns import Changes, Pattern, cross_at, dome_of, find_pattern, usual_of
from tightside.signals.edge_rest import quiet_of, rest_along, steeper_of
from tightside.signals.edge_signal import Signal, quantile_of
from tightside.signals.edge_swings import Swings, grouped
from tightside.signals.edge_times import refine, steady_levels
from tightside.signals.edge_wrap import unwrapped
from tightside.signals.extrema import block_extrema, frozen
from tightside.signals.polarity import NEAR_REST, Sharper, near_rest, sharper_of

NOTHING_STANDS_OUT = "no pattern stands out of the noise"
_HUM_V = 0.3  # peak to peak
_MOST_LOOKED_AT = 20_000  # changes that say which polarity is sharper
_MOST_LAG = 8  # teeth
_PEAK_NOISE = 0.35  # standard deviation of the mean of two peaks in noise deviations
_CALM = 16.0  # swing in standard deviations of the noise
_CROSSES = 6.0  # noise deviations that a coil goes beyond rest on both sides, within 5 to 15 % of its swing


@dataclass(frozen=True, slots=True)
class _Found:
    """The result in samples and raw units, before it becomes an EdgeTrain."""

    at: Floats
    rising: Bools
    kind: SensorKind
    quality: Quality
    timing_sd: float = 0.0
    transition: float = 0.0
    low: float = 0.0
    high: float = 0.0
    notes: tuple[str, ...] = ()
    sharper: Sharper = None


def find_edges(channel: Channel, *, kind: SensorKind | None = None) -> EdgeTrain:
    """Level changes of one sensor.

    Parameters
    ----------
    channel : a sampled trace (any integer or floating dtype, memory-mapped or not; it is neither copied nor converted
        whole, except where a recorder's wrap-around must be undone), uneven readings, or logic levels.
    kind : "hall" or "vr" where it is known; otherwise told from the shape.

    Returns
    -------
    EdgeTrain. Hall edges are crossings of the middle between the levels just before and just after; a coil's are
    crossings of its rest level. Rising and falling are treated alike. ``timing_sd_s`` is the random error of one edge
    (of the sharper polarity), sampling and noise together; it does not hold wheel runout or sensor delay.

    Never fails on a poor signal: ``quality`` and ``notes`` say what is wrong with it.
    """
    data = channel.data
    if isinstance(data, Levels):
        return _from_levels(channel.column, data)
    if isinstance(data, Readings):
        return _from_readings(channel, data, kind)
    return _without_hum(_train(channel, data, _find(data.raw, kind, rate_hz=data.rate_hz)), channel.unit)


def _from_levels(column: str, data: Levels) -> EdgeTrain:
    times, levels = data.times_s, data.levels
    if len(times) and times[0] <= data.start_s:
        times, levels = times[1:], levels[1:]
    return EdgeTrain(
        column=column,
        times_s=times,
        rising=levels > 0,
        kind="logic",
        quality="good" if len(times) else "flat",
        start_s=data.start_s,
        end_s=data.end_s,
        timing_sd_s=data.resolution_s / np.sqrt(12.0),
    )


def _from_readings(channel: Channel, data: Readings, kind: SensorKind | None) -> EdgeTrain:
    n = len(data.times_s)
    typical = float(np.median(np.diff(data.times_s))) if n > 1 else 1.0
    trace = Trace(raw=data.values, rate_hz=1.0 / typical if typical > 0 else 1.0)
    found = _find(data.values, kind, rate_hz=trace.rate_hz)
    return replace(
        _train(channel, trace, found),
        times_s=np.interp(found.at, np.arange(n), data.times_s) if n else np.empty(0),
        start_s=float(data.times_s[0]) if n else 0.0,
        end_s=float(data.times_s[-1]) if n else 0.0,
    )


def _train(channel: Channel, trace: Trace, found: _Found) -> EdgeTrain:
    levels = sorted((found.low * trace.scale + trace.offset, found.high * trace.scale + trace.offset))
    return EdgeTrain(
        column=channel.column,
        times_s=trace.start_s + found.at / trace.rate_hz,
        rising=found.rising ^ (trace.scale < 0),
        kind=found.kind,
        quality=found.quality,
        start_s=trace.start_s,
        end_s=trace.start_s + trace.duration_s,
        timing_sd_s=found.timing_sd / trace.rate_hz,
        transition_s=found.transition / trace.rate_hz,
        low=levels[0],
        high=levels[1],
        notes=tuple(_in_units(note, trace, channel.unit) for note in found.notes),
        sharper=_turned(found.sharper) if trace.scale < 0 else found.sharper,
    )


def _turned(sharper: Sharper) -> Sharper:
    return {"rising": "falling", "falling": "rising"}[sharper] if sharper else None  # type: ignore[return-value]


def _without_hum(train: EdgeTrain, unit: str) -> EdgeTrain:
    """No edges where all there is on an open wire is the mains: small, sine-shaped, and 50 or 60 Hz to half a percent.

    An engine does not hold its speed that well, a coil that turns gives more than a few tenths of a volt.
    """
    period = np.diff(train.of("rising"))
    if train.kind != "vr" or len(period) < 20 or unit not in ("V", "") or train.high - train.low > _HUM_V:
        return train
    usual = usual_of(period)
    steady = usual_of(np.abs(period - usual)) < 0.01 * usual and abs(train.transition_s / usual - 0.235) < 0.04
    mains = [hz for hz in (50, 60) if abs(usual * hz - 1.0) < 0.005]
    if not (steady and mains):
        return train
    nothing = replace(train, times_s=train.times_s[:0], rising=train.rising[:0], timing_sd_s=0.0, quality="noisy")
    return replace(nothing, notes=(*train.notes, f"nothing but {mains[0]} Hz hum"))


def _in_units(note: str, trace: Trace, unit: str) -> str:
    """Notes name raw values as ``{number}``; people read them in the channel's unit."""
    if "{" not in note:
        return note
    head, _, rest = note.partition("{")
    number, _, tail = rest.partition("}")
    return f"{head}{float(number) * trace.scale + trace.offset:.2f} {unit}".rstrip() + tail


def _find(raw: NDArray[Any], kind: SensorKind | None, *, rate_hz: float) -> _Found:
    x = frozen(raw)
    nothing = _Found(np.empty(0), np.empty(0, np.bool_), kind or "hall", "flat")
    if len(x) < 4:
        return replace(nothing, notes=("too short to hold an edge",))
    extrema = block_extrema(x)
    notes = [f"missing samples: {extrema.missing}"] if extrema.missing else []
    if extrema.missing and np.isinf([extrema.low.min(), extrema.high.max()]).any():
        x = frozen(np.where(np.isfinite(x), x, np.nan))
        extrema = block_extrema(x)
    x, extrema, wrapped = unwrapped(x, extrema)
    low, high = float(np.min(extrema.low)), float(np.max(extrema.high))
    if not low < high:
        return replace(nothing, low=low if low == high else 0.0, high=high if low == high else 0.0, notes=tuple(notes))
    pattern = find_pattern(x, extrema, rate_hz, kind)
    if pattern is None:
        return replace(nothing, low=low, high=high, quality="noisy", notes=(*notes, *wrapped, NOTHING_STANDS_OUT))
    cut = _cut_off(pattern.signal, pattern.changes) if pattern.kind == "vr" else []
    notes += wrapped + [f"{side} cut off at {{{level!r}}}" for side, level in cut]
    if pattern.spikes:
        notes.append(f"spikes ignored: {pattern.spikes}")
    found = _timed(x, pattern, [level for _, level in cut])
    return replace(found, quality="clipped" if cut or wrapped else "good", notes=tuple(notes))


def _timed(x: NDArray[Any], pattern: Pattern, limits: list[float]) -> _Found:
    """Sub-sample times of a pattern's changes, and how good they are."""
    signal, changes = pattern.signal, pattern.changes
    levels = _hall_levels(pattern) if pattern.kind == "hall" else _coil_levels(pattern, limits)
    cross, level, size = levels.cross, levels.level, levels.size
    span = _spans(pattern, levels.lasts)
    ok = np.isfinite(cross) & np.isfinite(level)
    rising = changes.rising
    if not ok.all():
        cross, level, size, span, rising = cross[ok], level[ok], size[ok], span[ok], rising[ok]
    window = np.maximum(2.0, 0.8 * span + 1.0 + (1.5 * signal.width if signal.width > 1 else 0.0))
    at = refine(
        x, signal.to_raw(cross), rising, level, reach=0.6 * size, window=window, half=0.35 * span, calm=_calm(pattern)
    )
    good = (at >= 0) & (at <= len(x) - 1)  # not NaN either
    good[1:] &= ~(np.diff(at) <= 0)
    noise, some = _raw_noise(pattern), changes.some()
    return _Found(
        at=at[good],
        rising=rising[good],
        kind=pattern.kind,
        quality="good",
        timing_sd=min((_timing_sd(span[p], size[p], noise, levels) for p in _by_polarity(rising)), default=0.0),
        transition=usual_of(span),
        low=usual_of(np.minimum(some.before, some.after)),
        high=usual_of(np.maximum(some.before, some.after)),
        sharper=levels.sharper,
    )


@dataclass(frozen=True, slots=True)
class _Levels:
    """Coarse crossings, the level each goes through, how far and how long it goes; (E,) each."""

    cross: Floats
    level: Floats
    size: Floats
    lasts: Floats  # 10 to 90 % time, of a coil as its slope at rest has it
    sharper: Sharper = None
    wander: float = 0.0  # standard deviation of what moves a coil's rest from one tooth to the next
    coil: bool = False


def _hall_levels(pattern: Pattern) -> _Levels:
    """Coarse crossings, the middle between the levels beside each, and how far apart those are."""
    changes = pattern.changes
    noise = max(usual_of(changes.some().noise), pattern.signal.noise)
    middle = steady_levels(0.5 * (changes.before + changes.after), 3.0 * noise)
    return _Levels(changes.cross, middle, np.abs(changes.after - changes.before), changes.transition)


def _coil_levels(pattern: Pattern, limits: list[float]) -> _Levels:
    """Crossings of rest; its level is NaN for a swing that does not clearly cross it."""
    swings = pattern.changes.swings
    rest = rest_along(pattern.signal.x, swings, pattern.changes.cross, pattern.signal.per_second, limits)
    clear = np.clip(_CROSSES * pattern.signal.noise, 0.05 * swings.sizes(), 0.15 * swings.sizes())
    low, high = np.minimum(swings.value[1:], swings.value[:-1]), np.maximum(swings.value[1:], swings.value[:-1])
    level = np.where((high > rest + clear) & (low < rest - clear), rest, np.nan)
    cross = cross_at(pattern.signal, swings, swings.value, rest, centre=True)
    noise, some = pattern.signal.noise, slice(0, _MOST_LOOKED_AT)
    part = swings.take(slice(0, _MOST_LOOKED_AT + 1))
    lasts = near_rest(pattern.signal.x, swings, cross, rest)
    sharper = sharper_of(part, lasts[some], rest[some], noise)
    wander = max(_wander(part, rest[some], noise), quiet_of(pattern.signal.x, part, rest[some], lasts))
    steep = np.arange(len(lasts)) % 2 == steeper_of(swings)  # the others may rest on their way
    lasts = np.where(steep & np.isfinite(lasts), 0.8 / NEAR_REST * lasts, pattern.changes.transition)
    return _Levels(cross, level, swings.sizes(), lasts, sharper, wander, coil=True)


def _wander(swings: Swings, rest: Floats, noise: float) -> float:
    """How much the middle between a tooth's two peaks moves from tooth to tooth: hum, brushes, what the ground does.

    From each middle less the mean of those a few teeth before and after, as many as leave least: then what compression
    does to the speed within a tooth is the same in all three. Less what the samples' noise does to two peaks.
    """
    first = steeper_of(swings)
    middle = (0.5 * (swings.value[1:] + swings.value[:-1]) - rest)[first::2]
    sds = []
    for lag in range(1, min(_MOST_LAG, len(middle) // 3) + 1):
        apart = middle[lag:-lag] - 0.5 * (middle[: -2 * lag] + middle[2 * lag :])
        sds.append(1.4826 * quantile_of(np.abs(apart), 0.5) / np.sqrt(1.5))
    return float(np.sqrt(max(min(sds, default=0.0) ** 2 - (_PEAK_NOISE * noise) ** 2, 0.0)))


def _spans(pattern: Pattern, known: Floats) -> Floats:
    """10 to 90 % time of each change, made plausible by its neighbours, without what averaging added. [raw samples]"""
    signal = pattern.signal
    if not np.isfinite(known).all():
        known = np.where(np.isfinite(known), known, usual_of(known))
    usual = grouped(known, 8, 0.5)
    known = np.clip(known, 0.7 * usual, 1.3 * usual) * signal.step
    span = np.sqrt(np.maximum(known**2 - (0.8 * (signal.width - 1)) ** 2, 0.0))
    return np.asarray(np.where(span <= 1.0, 0.0, span))


def _raw_noise(pattern: Pattern) -> float:
    """Standard deviation of the samples' noise: beside the changes, if there it is not mistaken for a slow change."""
    signal = pattern.signal
    if signal.width > 1:
        return float(signal.noise * np.sqrt(signal.width))
    some = pattern.changes.some()
    flat = pattern.kind == "hall" and dome_of(some) <= 0.03
    return usual_of(some.noise) if flat else signal.noise


def _calm(pattern: Pattern) -> bool:
    """Whether noise leaves every sample of a plateau on its own side of the middle."""
    signal, some = pattern.signal, pattern.changes.some()
    size = usual_of(np.abs(some.after - some.before))
    return pattern.kind == "hall" and signal.width == 1 and _CALM * max(signal.noise, usual_of(some.noise)) < size


def _by_polarity(rising: Bools) -> list[NDArray[np.int64]]:
    """Up to a thousand or so rising edges, and as many falling ones."""
    both = [np.flatnonzero(rising), np.flatnonzero(~rising)]
    return [p[:: 1 + len(p) // 1024] for p in both if len(p)]


def _timing_sd(span: Floats, size: Floats, noise: float, levels: _Levels) -> float:
    """One edge's random error in samples: noise over slope, less what a line averages, and what sampling hides.

    Root mean square over the edges, the worst tenth counted as its best.
    """
    slope = 0.8 * size / np.maximum(span, 1.0)
    averaged_noise = noise / np.sqrt(np.maximum(1.0, 0.7 * span))
    hidden = np.maximum(0.0, 1.0 - 0.6 * span) / np.sqrt(12.0) if levels.coil else _hidden_by_sampling(span)
    sd = np.hypot(np.hypot(averaged_noise, levels.wander) / np.maximum(slope, 1e-300), hidden)
    return float(np.sqrt(np.mean(np.minimum(sd, quantile_of(sd, 0.9)) ** 2)))


def _hidden_by_sampling(span: Floats) -> Floats:
    """Error of a straight line between samples where a level is reached as a capacitor charges. (E,) [samples]

    A fit to simulated edges of 0 to 4 samples; a straight ramp longer than a sample hides nothing.
    """
    return np.asarray(np.where(span > 0, np.maximum(0.95 * np.exp(-0.95 * span), 0.07), 1.0) / np.sqrt(12.0))


def _cut_off(signal: Signal, changes: Changes) -> list[tuple[str, float]]:
    """Ends of a coil's swing that are flat at one and the same value, tooth after tooth."""
    found = []
    width = np.concatenate([[np.inf], np.diff(changes.cross), [np.inf]])
    for name, level in (("tops", float(signal.extrema.high.max())), ("bottoms", float(signal.extrema.low.min()))):
        there = np.flatnonzero(changes.swings.value == level)
        if len(there) < max(3, 0.02 * len(changes.swings)):
            continue
        flat = _run_lengths(signal.x, changes.swings.at[there], level)
        if np.mean(flat >= np.maximum(3, 0.15 * np.minimum(width[there], 1e9))) > 0.5:
            found.append((name, level))
    return found


def _run_lengths(x: NDArray[Any], at: NDArray[np.int64], level: float) -> Floats:
    """How many samples in a row stand at the level, from each place forward; places are where it is first reached."""
    out = np.zeros(len(at))
    for k, i in enumerate(at[:200]):
        window = x[i : i + 4096] == level
        out[k] = len(window) if window.all() else int(np.argmin(window))
    out[200:] = np.median(out[:200])
    return out

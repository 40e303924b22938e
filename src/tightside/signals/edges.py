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
from tightside.signals.edge_swings import Swings, find_swings, grouped, held, merge_ripples, reach_across, trim
from tightside.signals.edge_times import (
    cross_levels,
    measure_plateaus,
    measure_transitions,
    refine,
    steady_levels,
)
from tightside.signals.edge_wrap import unwrapped
from tightside.signals.extrema import BlockExtrema, block_extrema, frozen

RIPPLE = 0.3  # swings smaller than this part of those around them are no teeth
HALL_LEAST = 0.4  # a Hall sensor's swing against the recording's usual one
VR_LEAST = 0.015  # a coil's swing against the recording's large ones: it grows with speed
HALL_ACROSS = 0.1  # how far beyond the middle both ends of a Hall swing reach, as part of it
COIL_GROWS = 1.7  # a Hall sensor's swing follows at most its supply
COIL_FALLS_BACK = 0.3
INCOHERENT = 0.2  # highs (and lows) that differ by this part of the swing from one to the next are no pattern
INCOHERENT_HALL = 0.14
STANDS_OUT = 11.0  # least swing in standard deviations of the noise: 1e8 white samples give none
SPIKE_S = 60e-6  # pulses as short as this may be spikes: 2 deg of crank at 6000 rpm
SPIKE_SAMPLES = 3.0
SPIKE_RATIO = 5.0  # and are, if the shortest of the others is this much longer
NOTHING_STANDS_OUT = "no pattern stands out of the noise"
_PASSES = 8
_MOST_MEANT = 400_000  # samples behind a mean
_PROBES = 4096
_SD_PER_QUANTILE = ((0.1, 7.9577), (0.25, 3.1383), (0.5, 1.4826))  # of the absolute value of a normal deviate
_SD_PER_MEAN = 1.253314
_RANGE_64 = 3.85  # a tenth of ranges of 64 normal deviates are below this many standard deviations
_OUTER_64 = 7.6  # 99.5th percentile of their maximum less 0.5th of their minimum


@dataclass(frozen=True, slots=True)
class _Signal:
    """What is searched: the samples themselves, or running means of them. ``at_raw = first + step * index``."""

    x: NDArray[Any]
    extrema: BlockExtrema
    noise: float  # standard deviation
    swing: float  # robust range, less what noise adds to it
    least: float = 0.0  # smallest swing that is looked for
    brief: int = 1  # samples: as long as a spike may be
    step: int = 1
    width: int = 1

    def to_raw(self, index: Floats) -> Floats:
        return index * self.step + 0.5 * (self.width - 1)


@dataclass(frozen=True, slots=True)
class _Changes:
    """Swings with where each crosses the middle, and the levels and durations around it, in samples of a _Signal."""

    swings: Swings
    cross: Floats  # (E,)
    before: Floats  # (E,) levels
    after: Floats
    noise: Floats  # (E,) standard deviation beside the change
    dome: Floats  # (E + 1,) how much the middle of a plateau stands out from its shoulders, as part of the swing
    transition: Floats  # (E,)

    @property
    def rising(self) -> Bools:
        return np.diff(self.swings.value) > 0


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
    found = _find(data.raw, kind, rate_hz=data.rate_hz)
    return _train(channel, data, found)


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
    found = _find(data.values, kind, rate_hz=1.0 / typical if typical > 0 else 1.0)
    trace = Trace(raw=data.values, rate_hz=1.0 / typical if typical > 0 else 1.0)
    train = _train(channel, trace, found)
    times = np.interp(found.at, np.arange(n), data.times_s) if n else np.empty(0)
    return replace(
        train,
        times_s=times,
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
    )


def _in_units(note: str, trace: Trace, unit: str) -> str:
    """Notes name raw values as ``{number}``; people read them in the channel's unit."""
    if "{" not in note:
        return note
    head, _, rest = note.partition("{")
    number, _, tail = rest.partition("}")
    return f"{head}{float(number) * trace.scale + trace.offset:.2f} {unit}".rstrip() + tail


# ------------------------------------------------------------------------------------------- noise, swing, smoothing


def _probes(n: int) -> NDArray[np.int64]:
    """Evenly spread, slightly irregular places, so that they do not beat with teeth."""
    count = min(n, _PROBES)
    k = np.arange(count)
    return np.asarray((k + (k * 0.618034) % 1.0) * (n / max(count, 1)), dtype=np.int64).clip(0, n - 1)


def _quantum(values: Floats) -> float:
    steps = np.abs(np.diff(values))
    steps = steps[steps > 1e-9 * max(1e-300, float(np.max(np.abs(values), initial=0.0)))]
    return float(steps.min()) if len(steps) else 0.0


def _spread(values: Floats) -> float:
    """Standard deviation from the smaller deviations, because where teeth are dense the larger ones are edges."""
    size = np.abs(values[np.isfinite(values)])
    if len(size) == 0:
        return 0.0
    for part, sd_per_quantile in _SD_PER_QUANTILE:
        smaller = float(np.quantile(size, part))
        if smaller > 0:
            return sd_per_quantile * smaller
    return 0.0


def _measure(x: NDArray[Any], extrema: BlockExtrema, known: float | None = None) -> tuple[float, float]:
    """Noise standard deviation and robust swing of a signal, from a few thousand probes."""
    blocks = _probes(len(extrema.low))
    low, high = extrema.low[blocks].astype(float), extrema.high[blocks].astype(float)
    filled = low <= high
    low, high = low[filled], high[filled]
    if len(low) == 0 or len(x) < 4:
        return 0.0, 0.0
    full = float(np.percentile(high, 99.5) - np.percentile(low, 0.5))
    common = float(np.percentile(high, 95) - np.percentile(low, 5))
    i = _probes(len(x) - 3)
    run = np.stack([x[i + k].astype(float) for k in range(4)])
    noise = min(_spread(np.diff(run, k, axis=0)[0]) / np.sqrt(power) for k, power in ((1, 2.0), (2, 6.0), (3, 20.0)))
    ranges = high - low
    if (
        np.median(ranges) < 0.3 * common
    ):  # most blocks hold no change: the range of the quiet ones is noise of any colour
        noise = max(noise, min(4 * noise, float(np.quantile(ranges, 0.1)) / _RANGE_64))
    quantum = _quantum(run[1][np.isfinite(run[1])][:2000])
    noise = max(noise, 0.29 * quantum if quantum < 0.3 * full else 0.0) if known is None else known
    return noise, max(full - _OUTER_64 * noise, 0.0)


def _means(x: NDArray[Any], width: int, step: int) -> NDArray[np.float64]:
    """Running means of ``width`` samples at every ``step``-th one, a chunk at a time."""
    parts = width // step
    rows = len(x) // step
    sums = np.empty(rows)
    chunk = 1 << 16
    for a in range(0, rows, chunk):
        b = min(rows, a + chunk)
        sums[a:b] = x[a * step : b * step].reshape(b - a, step).sum(axis=1, dtype=np.float64)
    if rows < parts:
        return np.empty(0)
    out = sums[: rows - parts + 1].copy()
    for k in range(1, parts):
        out += sums[k : rows - parts + 1 + k]
    return np.asarray(out / width)


def _signal(plain: _Signal) -> _Signal:
    """The samples, or means over just enough of them for the noise to sink well below the swing."""
    best = plain
    width = 4
    while best.swing < 30 * best.noise and width * 64 <= len(plain.x) and width <= 1024:
        means = _averaged(plain, width)
        if means.swing / means.noise > 1.2 * best.swing / best.noise:
            best = means
        width *= 2
    return best


def _plain(x: NDArray[Any], extrema: BlockExtrema) -> _Signal:
    noise, swing = _measure(x, extrema)
    return _Signal(x, extrema, noise, swing)


def _averaged(plain: _Signal, width: int) -> _Signal:
    step = max(1, width // 4)
    means = frozen(_means(plain.x, width, step))
    extrema = block_extrema(means)
    noise = plain.noise / np.sqrt(width)
    _, swing = _measure(means, extrema, noise)
    return _Signal(means, extrema, noise, swing, step=step, width=width)


# --------------------------------------------------------------------------------------------------- swings, changes


def _tame(signal: _Signal, swings: Swings) -> Floats:
    return swings.tamed(signal.x, signal.brief)


def _cross(signal: _Signal, swings: Swings) -> Floats:
    value = _tame(signal, swings)
    return _cross_at(signal, swings, 0.5 * (value[1:] + value[:-1]))


def _cross_at(signal: _Signal, swings: Swings, levels: Floats, centre: bool = False) -> Floats:
    size = np.diff(swings.value)
    start = np.where(np.abs(size) > 2.2 * signal.least, swings.seen[:-1], swings.at[:-1])
    return cross_levels(signal.x, signal.extrema, start, swings.at[1:], levels=levels, size=size, centre=centre)


def _spikes(cross: Floats, tops: Floats, short: float) -> Bools:
    """Which pulses (from each change to the next, with its turning point) are spikes.

    Those very short, and far shorter than nearly all the others of their polarity. Where most pulses are that short,
    only if their tops do not agree with the tops of the others: a narrow tooth or slot does.
    """
    width = np.diff(cross)
    spike = np.zeros(len(width), np.bool_)
    if len(width) == 0 or not np.nanmin(width) <= short:
        return spike
    for parity in (0, 1):
        own = width[parity::2]
        brief = own <= short
        if not brief.any() or not (~brief & np.isfinite(own)).any():
            continue
        others = own[~brief & np.isfinite(own)]
        brief &= own * SPIKE_RATIO <= np.quantile(others, 0.2)
        top = tops[1:-1][parity::2]
        usual = np.median(top[own > short])
        size = np.median(np.abs(np.diff(tops)))
        if brief.mean() < 0.4 or np.median(np.abs(top[brief] - usual)) > 0.15 * size:
            spike[parity::2] = brief
    return spike


def _without_spikes(swings: Swings, cross: Floats, short: float) -> tuple[Swings, Floats, int]:
    """Take spikes out, a burst from the inside outward; also how many there were."""
    count = 0
    for _ in range(12):
        spike = _spikes(cross, swings.value, short)
        spike[1:] &= ~spike[:-1]
        k = np.flatnonzero(spike)
        if len(k) == 0:
            break
        count += len(k)
        cross = np.delete(cross, np.concatenate([k, k + 1]))
        swings = swings.without(np.concatenate([k + 1, k + 2]))
    return swings, cross, count


def _changes(signal: _Signal, swings: Swings, cross: Floats) -> _Changes:
    x = signal.x
    width = np.diff(cross)
    longest = 2.0 * float(np.nanmedian(width)) if np.isfinite(width).any() else float(len(x))
    begins, ends, noise, dome = measure_plateaus(x, cross, longest)
    before, after = ends[:-1], begins[1:]
    size = np.maximum(np.abs(after - before), 1e-300)
    transition = measure_transitions(x, cross, before, after)
    noise = _SD_PER_MEAN * 0.5 * (noise[:-1] + noise[1:])
    return _Changes(swings, cross, before, after, noise, dome / float(np.nanmedian(size)), transition)


# ---------------------------------------------------------------------------------------------------- kind and times


def _kind(signal: _Signal, changes: _Changes) -> SensorKind:
    """Hall or coil, told from how the swing goes with speed, whether it stays out, and how quick the changes are."""
    width = np.diff(changes.cross)
    if len(width) < 2:
        return "hall"
    if _growth(signal, changes.swings) > COIL_GROWS or _falls_back(signal, changes) > COIL_FALLS_BACK:
        return "vr"
    pulse = 0.5 * (np.concatenate([width[:1], width]) + np.concatenate([width, width[-1:]]))
    duration = np.sqrt(np.maximum(0.0, changes.transition**2 - (0.8 * (signal.width - 1) / signal.step) ** 2))
    ratio = np.where(duration < 1.2, 0.0, duration) / pulse
    if max(_usual(ratio[0::2]), _usual(ratio[1::2])) < 0.35:
        return "hall"
    slower = _slower_at_gaps(signal, changes)
    if len(slower) >= 2:
        return "hall" if np.median(slower) < 1.5 else "vr"
    return "hall" if _dome(changes) < 0.08 else "vr"


def _dome(changes: _Changes) -> float:
    return max(abs(_usual(changes.dome[0::2])), abs(_usual(changes.dome[1::2])))


def _growth(signal: _Signal, swings: Swings) -> float:
    """Largest against smallest swing of any sixteen in a row: a coil's grows with speed."""
    size = np.abs(np.diff(_tame(signal, swings)))
    if len(size) < 64:
        return 1.0
    usual = np.minimum(grouped(size, 16, 0.5)[:-1], grouped(size, 16, 0.5)[1:])
    return float(np.max(usual) / max(np.quantile(usual, 0.02), 1e-300))


def _falls_back(signal: _Signal, changes: _Changes) -> float:
    """How far the plateaus' own level is from their peak, as part of the swing: a coil goes back to rest."""
    value, level = _tame(signal, changes.swings), _settled(changes).value
    size = np.median(np.abs(np.diff(value)))
    back = np.abs(value - level) / max(size, 1e-300)
    return min(_usual(back[0::2]), _usual(back[1::2])) - 3.0 * signal.noise / size


def _usual(values: Floats) -> float:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else 0.0


def _slower_at_gaps(signal: _Signal, changes: _Changes) -> Floats:
    """Duration, peak to peak, of the slower change beside each gap over the usual one: a coil rests in a gap."""
    width = np.diff(changes.cross)
    gap = np.flatnonzero(width > 1.8 * grouped(width, 16, 0.5))
    value = _tame(signal, changes.swings)
    duration = measure_transitions(signal.x, changes.cross, value[:-1], value[1:])
    known = np.where(np.isfinite(duration), duration, _usual(duration))
    ratio = known / np.maximum(grouped(known, 16, 0.5), 1.0)
    return np.asarray(np.maximum(ratio[gap], ratio[gap + 1]))


def _coherence(signal: _Signal, swings: Swings) -> float:
    """How much a high differs from the next high, and a low from the next low, as part of the swing between them."""
    value = _tame(signal, swings)
    return float(np.median(np.abs(value[2:] - value[:-2])) / np.median(np.abs(np.diff(value))))


def _rest_level(signal: _Signal, changes: _Changes) -> float:
    """A coil's rest level: the mean over whole periods, because what it gives is the derivative of a bounded flux.

    Periods with cut-off tops or bottoms are left out as long as there are others.
    """
    cross = changes.cross[np.isfinite(changes.cross)]
    first, last = cross[0], cross[len(cross) - 1 - (len(cross) - 1) % 2]
    if last - first < 8:
        return float(np.mean(changes.swings.value))
    i = np.unique(np.linspace(first, last, int(min(last - first, _MOST_MEANT))).astype(np.int64))
    value = changes.swings.value
    limits = [level for _, level in _cut_off(signal, changes)]
    if limits:
        touched = np.isin(value, limits)
        touched = touched[:-1] | touched[1:]
        period = np.searchsorted(changes.cross, i)
        spared = ~touched[np.clip(period // 2 * 2, 0, len(touched) - 1)]
        i = i[spared] if spared.mean() > 0.05 else i
    values = signal.x[i].astype(float)
    return float(np.mean(values[np.isfinite(values)]))


def _cut_off(signal: _Signal, changes: _Changes) -> list[tuple[str, float]]:
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


def _find(raw: NDArray[Any], kind: SensorKind | None, *, rate_hz: float) -> _Found:
    x = frozen(raw)
    nothing = _Found(np.empty(0), np.empty(0, np.bool_), kind or "hall", "flat")
    if len(x) < 4:
        return replace(nothing, notes=("too short to hold an edge",))
    extrema = block_extrema(x)
    notes = [f"missing samples: {extrema.missing}"] if extrema.missing else []
    x, extrema, wrapped = unwrapped(x, extrema)
    notes += wrapped
    low, high = float(np.min(extrema.low)), float(np.max(extrema.high))
    if not low < high:
        return replace(nothing, low=low if low == high else 0.0, high=high if low == high else 0.0, notes=tuple(notes))
    nothing = replace(nothing, low=low, high=high, quality="noisy", notes=(*notes, NOTHING_STANDS_OUT))
    searched = _search(x, extrema, rate_hz, kind)
    if searched is None:
        return nothing
    signal, changes, told, spikes = searched
    if spikes:
        notes.append(f"spikes ignored: {spikes}")
    cut = _cut_off(signal, changes) if told == "vr" else []
    notes += [f"{side} cut off at {{{level!r}}}" for side, level in cut]
    return _timed(x, signal, changes, told, "clipped" if cut or wrapped else "good", notes)


_Searched = tuple[_Signal, _Changes, SensorKind, int]


def _search(x: NDArray[Any], extrema: BlockExtrema, rate_hz: float, kind: SensorKind | None) -> _Searched | None:
    """Search the samples or, in noise, means over some of them: as many as leave the shorter pulses alone."""
    plain = _plain(x, extrema)
    signal = _signal(plain)
    while True:
        found = _search_in(signal, rate_hz, kind)
        if signal.width == 1 or (found and _shorter_pulses(found[1].cross) * signal.step >= 2.5 * signal.width):
            return found
        signal = _averaged(plain, signal.width // 2) if signal.width > 4 else plain


def _shorter_pulses(cross: Floats) -> float:
    width = np.diff(cross[np.isfinite(cross)])
    return float(np.quantile(width, 0.1)) if len(width) else np.inf


def _search_in(signal: _Signal, rate_hz: float, kind: SensorKind | None) -> _Searched | None:
    """Swings that count, and what they are; None where no pattern stands out of the noise."""
    least = STANDS_OUT * signal.noise
    if signal.swing < 1.5 * signal.noise:
        return None
    least = max(min(least, 0.5 * signal.swing), VR_LEAST * signal.swing)
    short = max(SPIKE_SAMPLES, SPIKE_S * rate_hz) / signal.step
    signal = replace(signal, least=least, brief=int(short))
    swings = merge_ripples(find_swings(signal.x, signal.extrema, least), RIPPLE)
    swings = _above(signal, swings, VR_LEAST)
    found = _sift(signal, swings, short, kind)
    if found is None or found[2] == "hall":
        return found
    lasting = _lasting(signal, swings)  # a coil has no plateau that outlasts a spike: look at its peaks
    again = _sift(signal, lasting, short, "vr") if len(lasting) < len(swings) else None
    return (*again[:3], again[3] + (len(swings) - len(lasting)) // 2) if again else found


def _sift(signal: _Signal, swings: Swings, short: float, kind: SensorKind | None) -> _Searched | None:
    """Take out what is no tooth until nothing more has to go."""
    spikes = 0
    for _ in range(_PASSES):
        if len(swings) < 2:
            return None
        swings, cross, more = _without_spikes(swings, _cross(signal, swings), short)
        spikes += more
        if not np.isfinite(cross).any():
            return None
        changes = _changes(signal, swings, cross)
        told = kind if kind in ("hall", "vr") else _kind(signal, changes)
        tamed = replace(swings, value=_tame(signal, swings))
        fewer = reach_across(tamed if told == "vr" else _settled(changes), 0.0)
        if len(fewer) == len(swings) and told == "hall":
            fewer = reach_across(_above(signal, _settled(changes), HALL_LEAST), HALL_ACROSS)
        if len(fewer) == len(swings):
            strange = spikes > 10 + 3 * len(cross) or _strange(signal, changes, told)
            return None if strange else (signal, changes, told, spikes)
        swings = fewer
    return None


def _lasting(signal: _Signal, swings: Swings) -> Swings:
    """Turning points that hold their side for longer than a spike does; all, where teeth are as short as spikes."""
    size = float(np.median(swings.sizes())) if len(swings) > 5 else 0.0
    if np.ptp(swings.value[0::2]) <= 0.6 * size and np.ptp(swings.value[1::2]) <= 0.6 * size:
        return swings
    level = held(signal.x, swings, signal.brief)
    if np.median(np.abs(np.diff(level))) < 0.5 * size:
        return swings
    least = VR_LEAST * float(np.quantile(np.abs(np.diff(level)), 0.75))
    lasting = reach_across(trim(replace(swings, value=level), least), 0.0)
    return swings.take(np.searchsorted(swings.at, lasting.at))


def _settled(changes: _Changes) -> Swings:
    """The turning points, each with its plateau's level in place of its peak, which a spike may have made."""
    levels = np.concatenate([changes.before[:1], 0.5 * (changes.before[1:] + changes.after[:-1]), changes.after[-1:]])
    return replace(changes.swings, value=np.where(np.isfinite(levels), levels, changes.swings.value))


def _strange(signal: _Signal, changes: _Changes, kind: SensorKind) -> bool:
    """Whether this is no sensor's pattern: neighbours that differ, or too few changes without two flat levels."""
    size = float(np.nanmedian(np.abs(changes.after - changes.before)))
    width = np.diff(changes.cross)
    if len(width) > 20 and max(_usual(width[0::2]), _usual(width[1::2])) < 2.2:  # a recorder's last digit flickers
        return True
    if len(changes.cross) >= 7:
        white = 0.4 * signal.noise / size
        return _coherence(signal, changes.swings) > white + (INCOHERENT_HALL if kind == "hall" else INCOHERENT)
    return max(_usual(changes.noise) - 2 * signal.noise, _dome(changes) * size) > 0.1 * size


def _above(signal: _Signal, swings: Swings, part: float) -> Swings:
    """Swings of at least ``part`` of the recording's large ones."""
    if len(swings) < 2:
        return swings
    sizes = swings.sizes()
    if sizes.min() >= part * sizes.max():
        return swings
    return trim(swings, part * float(np.percentile(np.abs(np.diff(_tame(signal, swings))), 75)))


def _timed(
    x: NDArray[Any], signal: _Signal, changes: _Changes, kind: SensorKind, quality: Quality, notes: list[str]
) -> _Found:
    ok = np.isfinite(changes.cross)
    rising = changes.rising
    size = np.abs(changes.after - changes.before)
    noise = float(np.nanmedian(changes.noise))
    transition = changes.transition.copy()
    usual = grouped(np.where(np.isfinite(transition), transition, np.nanmedian(transition)), 8, 0.5)
    transition = np.clip(np.where(np.isfinite(transition), transition, usual), 0.7 * usual, 1.3 * usual)
    cross = changes.cross
    if kind == "vr":
        rest = _rest_level(signal, changes)
        value = changes.swings.value
        ok &= (np.minimum(value[1:], value[:-1]) < rest) & (np.maximum(value[1:], value[:-1]) > rest)
        level = np.full(len(cross), rest)
        cross = _cross_at(signal, changes.swings, level, centre=True)
        size = np.abs(np.diff(value))
        ok &= np.isfinite(cross)
    else:
        level = steady_levels(0.5 * (changes.before + changes.after), 3.0 * max(noise, signal.noise))
    if kind == "vr" or _dome(changes) > 0.03:
        noise = signal.noise
    span = np.sqrt(np.maximum((transition * signal.step) ** 2 - (0.8 * (signal.width - 1)) ** 2, 0.0))
    span = np.where(span <= 1.0, 0.0, span)
    window = np.maximum(2.0, 0.8 * span + 1.0 + (1.5 * signal.width if signal.width > 1 else 0))
    coarse = signal.to_raw(cross[ok])
    at = refine(x, coarse, rising[ok], level[ok], reach=0.6 * size[ok], window=window[ok], half=0.35 * span[ok])
    good = np.isfinite(at)
    good[1:] &= ~(np.diff(at) <= 0)
    raw_noise = (
        signal.noise * np.sqrt(signal.width) if signal.width > 1 else (noise if kind == "hall" else signal.noise)
    )
    sd = (
        min(_timing_sd(span[ok][p::2], size[ok][p::2], raw_noise) for p in (0, 1) if len(span[ok][p::2]))
        if ok.any()
        else 0.0
    )
    low, high = (
        np.median(np.minimum(changes.before, changes.after)),
        np.median(np.maximum(changes.before, changes.after)),
    )
    return _Found(
        at[good], rising[ok][good], kind, quality, sd, float(np.median(span)), float(low), float(high), tuple(notes)
    )


def _timing_sd(span: Floats, size: Floats, noise: float) -> float:
    """One edge's random error in samples: noise over slope, less what a line averages, and what sampling hides."""
    slope = 0.8 * size / np.maximum(span, 1.0)
    points = np.maximum(1.0, 0.7 * span)
    from_noise = noise / np.maximum(slope, 1e-300) / np.sqrt(points)
    hidden = np.maximum(0.0, 1.0 - 0.6 * span) / np.sqrt(12.0)
    sd = np.hypot(from_noise, hidden)
    return float(np.sqrt(np.mean(np.minimum(sd, np.quantile(sd, 0.9)) ** 2)))

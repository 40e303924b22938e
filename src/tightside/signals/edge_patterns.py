"""Which swings of a signal are a sensor's pattern, and whether a Hall sensor's or a coil's."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.records import Bools, Floats, SensorKind
from tightside.signals.edge_rest import across_rest, rest_along, without_weak_flux
from tightside.signals.edge_scale import beneath_spikes, large_of, lasting_sizes, without_ripples
from tightside.signals.edge_signal import Signal, averaged, plain_signal, quantile_of, smoothed
from tightside.signals.edge_swings import Swings, find_swings, grouped, reach_across, trim
from tightside.signals.edge_times import cross_levels, measure_plateaus, measure_transitions
from tightside.signals.extrema import BlockExtrema

HALL_CHANGE = 0.5  # of the recording's large swings: noise is counted in both, ripples are not
HALL_LEAST = 0.4  # a Hall sensor's swing against the recording's usual one
VR_LEAST = 0.015  # a coil's swing against the recording's large ones: it grows with speed
ALL_ALONG = 0.9  # a Hall sensor's swing is as large all along the recording
HALL_ACROSS = 0.1  # how far beyond the middle both ends of a Hall swing reach, as part of it
COIL_GROWS = 1.7  # a Hall sensor's swing follows at most its supply
COIL_FALLS_BACK = 0.3
INCOHERENT = 0.2  # highs (and lows) that differ by this part of the swing from one to the next are no pattern
INCOHERENT_HALL = 0.14
MOST_WHITE = 0.1  # ... white noise counted
INCOHERENT_FEW = 0.4  # the same for the few pulses of a one-tooth cam, from rest on
FEW_STAND_OUT = 25.0  # ... which must stand this many standard deviations out of the noise
STANDS_OUT = 11.0  # least swing in standard deviations of the noise: 1e8 white samples give none
LEVELS_APART = 3.0  # standard deviations of the noise between a Hall sensor's levels
SPIKE_S = 60e-6  # pulses as short as this may be spikes: 2 deg of crank at 6000 rpm
SPIKE_SAMPLES = 3.0
SPIKE_RATIO = 5.0  # and are, if the shortest of the others is this much longer
FEW_OF_ALL = 0.4  # part of all swings that stay
BETWEEN = np.array([0.15, 0.18, 0.21, 0.25, 0.3])  # of the smaller teeth: sizes that hardly any swing has ...
WIDE, MOST_BETWEEN = 1.25, 0.03  # ... up to that times it; part of the number of teeth
COIL_REACHES = 10.0  # noise deviations from a coil's peak to its next; more where spikes were taken out
WIDEST = 1024  # samples behind a mean
SOME_SPIKES, MANY_SPIKES, MOST_SPIKES = 0.5, 2.5, 20.0  # for each change
_PASSES = 8
_SOME_RUNS, _SOME_LENGTH = 32, 64
_SD_PER_MEAN = 1.253314  # standard deviation over mean absolute deviation, normal


@dataclass(frozen=True, slots=True)
class Changes:
    """Swings with where each crosses the middle, and the levels and durations around it, in samples of a Signal."""

    swings: Swings
    peaks: Floats  # (E + 1,) the swings' values without what spikes add
    cross: Floats  # (E,)
    width: Floats  # (E,) to the next change; NaN for the last
    before: Floats  # (E,) levels
    after: Floats
    noise: Floats  # (E,) standard deviation beside the change
    dome: Floats  # (E + 1,) how much the middle of a plateau stands out from its shoulders, as part of the swing
    transition: Floats  # (E,)

    def part(self, first: int, last: int) -> Changes:
        """The changes between turning points first to last, both included."""
        return self._of(slice(first, last), slice(first, last + 1))

    def some(self) -> Changes:
        """Up to 32 runs of 64 changes spread over all of them: enough to tell what kind they are."""
        n = len(self.cross)
        if n <= 2 * _SOME_RUNS * _SOME_LENGTH:
            return self
        starts = np.linspace(0, n - _SOME_LENGTH, _SOME_RUNS).astype(np.int64) // 2 * 2
        edges = (starts[:, None] + np.arange(_SOME_LENGTH)).ravel()
        return self._of(edges, np.append(edges, edges[-1] + 1))

    def _of(self, edges: Any, points: Any) -> Changes:
        return Changes(
            swings=self.swings.take(points),
            peaks=self.peaks[points],
            cross=self.cross[edges],
            width=self.width[edges],
            before=self.before[edges],
            after=self.after[edges],
            noise=self.noise[edges],
            dome=self.dome[points],
            transition=self.transition[edges],
        )

    @property
    def rising(self) -> Bools:
        """(E,)"""
        return np.diff(self.swings.value) > 0


@dataclass(frozen=True, slots=True)
class Pattern:
    """Changes that are a sensor's, and in which signal they were found."""

    signal: Signal
    changes: Changes
    kind: SensorKind
    spikes: int  # taken out on the way


def find_pattern(x: NDArray[Any], extrema: BlockExtrema, rate_hz: float, kind: SensorKind | None) -> Pattern | None:
    """Search the samples or, in noise, means over some of them: as many as leave the shorter pulses alone."""
    plain = plain_signal(x, extrema)
    signal = smoothed(plain)
    while True:
        found = _search_in(signal, rate_hz, kind)
        if signal.width == 1 or (found and _spares_pulses(found)):
            break
        signal = averaged(plain, signal.width // 2) if signal.width > 4 else plain
    if found is None or found.spikes > len(found.changes.cross):
        return _search_means(plain, signal.width, rate_hz, kind) or found
    return found


def _search_means(plain: Signal, width: int, rate_hz: float, kind: SensorKind | None) -> Pattern | None:
    """Search wider means than the noise seemed to ask for: brushes spark in bursts, which samples in a row hide."""
    width = max(4, 2 * width)
    while width * 64 <= len(plain.x) and width <= WIDEST:
        found = _search_in(averaged(plain, width), rate_hz, kind)
        if found and _spares_pulses(found) and found.spikes <= len(found.changes.cross):
            return found
        width *= 2
    return None


def _spares_pulses(found: Pattern) -> bool:
    """Whether the means are over few enough samples to leave the shorter pulses alone."""
    cross = found.changes.cross
    width = np.diff(cross[np.isfinite(cross)])
    shorter = quantile_of(width, 0.1) if len(width) else np.inf
    return shorter * found.signal.step >= 2.5 * found.signal.width


def _search_in(signal: Signal, rate_hz: float, kind: SensorKind | None) -> Pattern | None:
    """Swings that count, and what they are; None where no pattern stands out of the noise."""
    least = STANDS_OUT * signal.noise
    if signal.swing < 1.5 * signal.noise:
        return None
    least = max(min(least, 0.5 * signal.swing), VR_LEAST * signal.swing)
    short = max(SPIKE_SAMPLES, SPIKE_S * rate_hz) / signal.step
    signal = replace(signal, least=least, brief=int(short), per_second=rate_hz / signal.step)
    swings = find_swings(signal.x, signal.extrema, least)
    signal = replace(signal, sizes=swings.sizes() if len(swings) > 1 else np.empty(0))
    if kind != "vr":
        found = _search_levels(signal, swings, short, kind)
        if found is not None:
            return found
    beneath, hidden = beneath_spikes(signal.x, signal.extrema, swings, signal.brief)
    for all_of_them, spikes in ((beneath, hidden), (swings, 0))[0 if hidden else 1 :]:
        some = _above(without_ripples(signal.x, all_of_them, signal.brief, signal.per_second), VR_LEAST, signal)
        found = _sift(signal, some, short, kind)
        if found is not None and found.spikes + spikes <= MOST_SPIKES * len(found.changes.cross):
            return replace(found, spikes=found.spikes + spikes)
    return None


def _search_levels(signal: Signal, swings: Swings, short: float, kind: SensorKind | None) -> Pattern | None:
    """A Hall sensor's pattern, if its swing is as large all along the recording."""
    steps = _level_changes(signal, swings)
    if kind is None:
        every = _above(without_ripples(signal.x, swings, signal.brief, signal.per_second), VR_LEAST, signal)
        if len(steps) == len(every) or _spans(steps) < ALL_ALONG * _spans(every):
            return None
    found = _sift(signal, steps, short, kind)
    return found if found is not None and found.kind == "hall" else None


def _spans(swings: Swings) -> float:
    return float(swings.at[-1] - swings.at[0]) if len(swings) else 0.0


def _level_changes(signal: Signal, swings: Swings) -> Swings:
    """Swings that may be a Hall sensor's: not small beside the usual one, whatever its plateaus hold."""
    sizes = swings.sizes()
    if len(swings) < 4 or sizes[1:-1].min() >= HALL_CHANGE * sizes.max():  # what the ends cut short is seen to later
        return swings
    return trim(swings, HALL_CHANGE * large_of(lasting_sizes(signal.x, swings, signal.brief)))


def _sift(signal: Signal, swings: Swings, short: float, kind: SensorKind | None) -> Pattern | None:
    """Take out what is no tooth until nothing more has to go."""
    spikes = 0
    changes: Changes | None = None
    for _ in range(_PASSES):
        if len(swings) < 2:
            return None
        if changes is None:
            peaks = tame(signal, swings)
            cross = cross_at(signal, swings, peaks)
            swings, cross, more = _without_spikes(swings, cross, short)
            spikes += more
            if not np.isfinite(cross).any():
                return None
            changes = _changes(signal, swings, tame(signal, swings) if more else peaks, cross)
        told = kind if kind in ("hall", "vr") else _kind(signal, changes.some())
        fewer = _coil_teeth(signal, changes) if told == "vr" else _level_teeth(changes)
        if len(fewer) == len(swings):
            strange = _strange(signal, changes.some(), told, spikes / len(swings), len(swings))
            return None if strange else Pattern(signal, changes, told, spikes)
        first = int(np.searchsorted(swings.at, fewer.at[0])) if len(fewer) else 0
        at_ends_only = np.array_equal(swings.at[first : first + len(fewer)], fewer.at) and len(fewer) > 1
        changes = changes.part(first, first + len(fewer) - 1) if at_ends_only else None
        swings = changes.swings if changes else fewer
    return None


def _coil_teeth(signal: Signal, changes: Changes) -> Swings:
    """A coil's peaks: those with the flux of a tooth, on their own side of rest."""
    swings = replace(changes.swings, value=changes.peaks)
    fewer = without_weak_flux(swings, signal.per_second)
    if len(fewer) < len(swings):
        return fewer
    rest = rest_along(signal.x, swings, changes.cross, signal.per_second, [])
    return across_rest(swings, rest, signal.per_second, signal.noise)


def _level_teeth(changes: Changes) -> Swings:
    """A Hall sensor's plateaus, each on its own side of the middle, and as far from it as the others."""
    settled = _settled(changes)
    fewer = reach_across(settled, 0.0)
    return fewer if len(fewer) < len(settled) else reach_across(_above(settled, HALL_LEAST), HALL_ACROSS)


def _settled(changes: Changes) -> Swings:
    """The turning points, each with its plateau's level in place of its peak, which a spike may have made."""
    levels = np.concatenate([changes.before[:1], 0.5 * (changes.before[1:] + changes.after[:-1]), changes.after[-1:]])
    return replace(changes.swings, value=np.where(np.isfinite(levels), levels, changes.swings.value))


def _strange(signal: Signal, changes: Changes, kind: SensorKind, spikes: float, count: int) -> bool:
    """Whether this is no sensor's pattern: neighbours that differ, or too few changes without two flat levels.

    ``spikes``: how many were taken out for each change that stayed; where they are many, all depends on the choice.
    ``count``: how many stayed; the changes given are some of them.
    """
    if spikes > MOST_SPIKES:
        return True
    size = max(usual_of(np.abs(changes.after - changes.before)), 1e-300)
    reach = quantile_of(np.abs(np.diff(changes.peaks)), 0.5)
    if kind == "hall" and size < LEVELS_APART * signal.noise:
        return True
    if kind == "vr" and reach < (FEW_STAND_OUT if spikes > SOME_SPIKES else COIL_REACHES) * signal.noise:
        return True
    width = changes.width
    if len(width) > 20 and max(usual_of(width[0::2]), usual_of(width[1::2])) < 2.2 and _few_values(signal.x):
        return True  # a recorder's last digit flickers
    if len(changes.cross) >= 7:
        white = min(0.4 * signal.noise / size, MOST_WHITE)
        chosen = 0.5 if spikes > MANY_SPIKES else 1.0
        return _coherence(changes) > white + chosen * _most_incoherent(signal, changes, kind, count)
    if kind == "vr" and len(changes.cross) >= 3:  # a coil that has seen a tooth or two and rests in between
        few = reach < FEW_STAND_OUT * signal.noise or not _apart(signal, changes, count)
        return few or _coherence(changes) > INCOHERENT_FEW
    return max(usual_of(changes.noise) - 2 * signal.noise, dome_of(changes) * size) > 0.1 * size


def _most_incoherent(signal: Signal, changes: Changes, kind: SensorKind, count: int) -> float:
    """How much neighbours may differ: most if teeth stand apart from all else, little if few were chosen from many."""
    if kind == "hall":
        return INCOHERENT_HALL
    if _apart(signal, changes, count):
        return INCOHERENT_FEW
    total = 0 if signal.sizes is None else len(signal.sizes)
    return INCOHERENT if count > FEW_OF_ALL * total else 0.5 * INCOHERENT


def _apart(signal: Signal, changes: Changes, count: int) -> bool:
    """Whether there is a size, well below that of what stayed, that hardly any swing has: ripple is all below it."""
    small = quantile_of(np.abs(np.diff(changes.peaks)), 0.25)
    if signal.sizes is None or small < FEW_STAND_OUT * signal.noise:
        return False
    ordered = np.sort(signal.sizes)
    below, above = (np.searchsorted(ordered, BETWEEN * part * small) for part in (1.0, WIDE))
    return bool((above - below).min() < MOST_BETWEEN * count)


def _few_values(x: NDArray[Any]) -> bool:
    some = x[len(x) // 2 : len(x) // 2 + 4096]
    return len(np.unique(some[np.isfinite(some)])) < 5


def _above(swings: Swings, part: float, signal: Signal | None = None) -> Swings:
    """Swings of at least ``part`` of the recording's large ones; with the signal, spikes do not count as large."""
    if len(swings) < 2:
        return swings
    sizes = swings.sizes()
    if sizes.min() >= part * sizes.max():
        return swings
    large = sizes if signal is None else np.abs(np.diff(tame(signal, swings)))
    return trim(swings, part * large_of(large))


def tame(signal: Signal, swings: Swings) -> Floats:
    """Turning-point values without what spikes add to them."""
    return swings.tamed(signal.x, signal.brief)


def cross_at(
    signal: Signal, swings: Swings, peaks: Floats, levels: Floats | None = None, *, centre: bool = False
) -> Floats:
    """Where each swing crosses its level, or the middle between its peaks. (len - 1,) [samples of the signal]"""
    size = np.diff(peaks)
    levels = 0.5 * (peaks[1:] + peaks[:-1]) if levels is None else levels
    start = np.where(np.abs(size) > 2.2 * signal.least, swings.seen[:-1], swings.at[:-1])
    return cross_levels(signal.x, signal.extrema, start, swings.at[1:], levels=levels, size=size, centre=centre)


def _spikes(cross: Floats, tops: Floats, short: float) -> Bools:
    """Which pulses (from each change to the next, with its turning point) are spikes.

    Those very short, and far shorter than nearly all the others of their polarity. Where most pulses are that short,
    only if their tops do not agree with the tops of the others: a narrow tooth or slot does.
    """
    width = np.diff(cross)
    spike = np.zeros(len(width), np.bool_)
    if not (width <= short).any():
        return spike
    for parity in (0, 1):
        own = width[parity::2]
        brief = own <= short
        if not brief.any() or not (~brief & np.isfinite(own)).any():
            continue
        others = own[~brief & np.isfinite(own)]
        brief &= own * SPIKE_RATIO <= quantile_of(others, 0.2)
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


def _changes(signal: Signal, swings: Swings, peaks: Floats, cross: Floats) -> Changes:
    width = np.append(np.diff(cross), np.nan)
    longest = 2.0 * usual_of(width) or float(len(signal.x))
    begins, ends, noise, dome = measure_plateaus(signal.x, cross, longest)
    before, after = ends[:-1], begins[1:]
    size = max(usual_of(np.abs(after - before)), 1e-300)
    return Changes(
        swings=swings,
        peaks=peaks,
        cross=cross,
        width=width,
        before=before,
        after=after,
        noise=_SD_PER_MEAN * 0.5 * (noise[:-1] + noise[1:]),
        dome=dome / size,
        transition=measure_transitions(signal.x, cross, before, after),
    )


def _kind(signal: Signal, changes: Changes) -> SensorKind:
    """Hall or coil, told from how the swing goes with speed, whether it stays out, and how quick the changes are."""
    width = changes.width
    if len(width) < 3:
        return "hall"
    if _growth(changes) > COIL_GROWS or _falls_back(signal, changes) > COIL_FALLS_BACK:
        return "vr"
    pulse = 0.5 * (np.append(width[:1], width[:-1]) + np.append(width[:-1], width[-2]))
    duration = np.sqrt(np.maximum(0.0, changes.transition**2 - (0.8 * (signal.width - 1) / signal.step) ** 2))
    ratio = np.where(duration < 1.2, 0.0, duration) / pulse
    if max(usual_of(ratio[0::2]), usual_of(ratio[1::2])) < 0.35:
        return "hall"
    slower = _slower_at_gaps(signal, changes)
    if len(slower) >= 2:
        return "hall" if np.median(slower) < 1.5 else "vr"
    return "hall" if dome_of(changes) < 0.08 else "vr"


def dome_of(changes: Changes) -> float:
    """How domed the usual plateau is, as part of the swing: 0 where it is flat, about 0.2 for a sine."""
    return max(abs(usual_of(changes.dome[0::2])), abs(usual_of(changes.dome[1::2])))


def _growth(changes: Changes) -> float:
    """Largest against smallest swing of any sixteen in a row: a coil's grows with speed."""
    size = np.abs(np.diff(changes.peaks))
    if len(size) < 64:
        return 1.0
    usual = grouped(size, 16, 0.5)
    usual = np.minimum(usual[:-1], usual[1:])
    return float(np.max(usual) / max(quantile_of(usual, 0.02), 1e-300))


def _falls_back(signal: Signal, changes: Changes) -> float:
    """How far the plateaus' own level is from their peak, as part of the swing: a coil goes back to rest."""
    value, level = changes.peaks, _settled(changes).value
    size = quantile_of(np.abs(np.diff(value)), 0.5)
    back = np.abs(value - level) / max(size, 1e-300)
    return min(usual_of(back[0::2]), usual_of(back[1::2])) - 3.0 * signal.noise / size


def usual_of(values: Floats) -> float:
    """Median of those that are known, or 0; of many, that of some two thousand spread over them."""
    values = values[:: len(values) // 2048 | 1]  # an odd step, so that both polarities are among them
    values = values[np.isfinite(values)]
    return quantile_of(values, 0.5) if len(values) else 0.0


def _slower_at_gaps(signal: Signal, changes: Changes) -> Floats:
    """Duration, peak to peak, of the slower change beside each gap over the usual one: a coil rests in a gap."""
    width = changes.width[:-1]
    known = np.where(np.isfinite(width), width, usual_of(width))
    gap = np.flatnonzero(width > 1.8 * grouped(known, 16, 0.5))
    value = changes.peaks
    duration = measure_transitions(signal.x, changes.cross, value[:-1], value[1:])
    known = np.where(np.isfinite(duration), duration, usual_of(duration))
    ratio = known / np.maximum(grouped(known, 16, 0.5), 1.0)
    return np.asarray(np.maximum(ratio[gap], ratio[gap + 1]))


def _coherence(changes: Changes) -> float:
    """How much a high differs from the next high, and a low from the next low, as part of the swing between them."""
    value = changes.peaks
    return quantile_of(np.abs(value[2:] - value[:-2]), 0.5) / max(quantile_of(np.abs(np.diff(value)), 0.5), 1e-300)

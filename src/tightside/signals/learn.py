"""Learn a crank wheel from its edges alone: what repeats, after how many pulses, and where the pulses stand.

Source: our derivation; ``tests/test_learn.py`` learns random wheels in closed form, ``benchmarks/wheels.py`` simulated
ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tightside.records import Bools, CamEdges, EdgeTrain, Floats, WheelPattern
from tightside.signals.follow import follow_wheel
from tightside.signals.turns import Turns, infer_turns
from tightside.signals.wheel_shape import Shape, rotated, shape_of, wheel_name

Edge = Literal["rising", "falling"]
EDGES: tuple[Edge, ...] = ("rising", "falling")

EVENLY = 0.06  # mean difference of a cam's pulse spacing from its usual one, as a share of it
MOST_ODD = 0.01  # share of odd pulses up to which a turn can be certain
MOST_PULSES = 200  # the largest repeat that is looked for
LIKENESS = 0.92  # a repeat must look this much like the best one
LEAST_LIKE, FAINT = 0.22, 0.35  # likeness of a repeat at all; below the second the pulses must follow it closely
MOST_ODD_OF_FAINT = 0.06
LARGEST = 1.2  # cut of the roughness, so that a lost pulse weighs no more than a gap
UNEVEN = 0.04  # rms of the second difference of log intervals below which a wheel counts as even
ODD_PULSES = 0.004  # share of odd pulses from which an even wheel that loses some is thought of
FEW_REPEATS = 12  # so few of them can look like a pattern by chance
EVEN_MISFIT = 0.03  # of a pattern that a swing of speed explains away
AS_GOOD = 0.012  # misfit by which a polarity must be better than the rising one
BLUNT = 0.15  # misfit that a coil's blunter crossing begins with
LOSSY_EVEN = 0.06  # share of odd pulses up to which rough intervals without a pattern are an even wheel's
SPLIT_GAP = 0.1  # misfit of two gaps side by side: mostly one gap, seen by the wrong polarity of a coil
FEW_PULSES = 12  # a running median over fewer than that follows the pattern itself
ASTRAY = 0.4  # a log interval this far from its usual value is a pulse lost or added
USUAL_HZ_PER_POSITION = 8.0  # turns a second that an even wheel is taken for until its pulses can be counted


@dataclass(frozen=True, slots=True)
class Learned:
    """A wheel as far as one recording shows it."""

    wheel: WheelPattern
    shape: Shape  # one repeat of its pattern
    turns: Turns  # how often it comes in one turn
    misfit: float  # how badly the pulses fit the pattern, 0 is perfect; to choose between polarities
    odd: float = 0.0  # share of pulses lost or added
    notes: tuple[str, ...] = ()

    @property
    def repeats_per_turn(self) -> int:
        """How often the pattern comes in one turn; a guess where ``turn_certain`` is False."""
        return round(360.0 / self.wheel.repeat_deg)

    @property
    def turn_certain(self) -> bool:
        """False: the pattern could also be a whole turn, or another part of one."""
        return self.turns.certain and self.odd <= MOST_ODD

    @property
    def could_be(self) -> tuple[str, ...]:
        """Names of the wheels that would look the same, likeliest first: one if it is known, none if any could."""
        if self.turn_certain:
            return (self.wheel.name,)
        if self.shape.sort == "even" and not self.turns.likely:
            return ()
        return tuple(wheel_name(self.shape, k) for k in (self.turns.repeats, *self.turns.others))


def roughness(times_s: Floats) -> Floats:
    """How much each interval differs from the mean of its two neighbours, in logarithms, cut at +-1.5. (E-3,)

    The engine's speed changes smoothly and drops out; gaps and odd teeth stay.
    """
    x = np.log(np.diff(times_s))
    return np.clip(x[1:-1] - 0.5 * (x[:-2] + x[2:]), -1.5, 1.5)


def find_repeat(times_s: Floats) -> tuple[int, float]:
    """After how many pulses the pattern repeats, and how sure that looks.

    Returns
    -------
    n : int
        1 for an evenly spaced wheel.
    likeness : float
        Correlation of the pattern with itself n pulses later, 0 to 1.
    """
    z = np.clip(roughness(times_s), -LARGEST, LARGEST)
    z = z - z.mean()
    if float(np.sqrt(np.mean(z * z))) < UNEVEN:
        return 1, 1.0
    n, likeness = _repeat_of(z)
    return (1, 1.0 - min(1.0, likeness)) if likeness < LEAST_LIKE else (n, likeness)


def _repeat_of(z: Floats) -> tuple[int, float]:
    """Lag at which a series is first about as like itself as it ever is, and the likeness there."""
    most = min(MOST_PULSES, int(len(z) / 2.2))
    if most < 2:
        return 1, 0.0
    lags = np.arange(1, most + 1)
    full = np.correlate(z, z, "full")[len(z) - 1 :] if len(z) < 4000 else _autocorrelation(z)
    energy = np.concatenate(([0.0], np.cumsum(z * z)))
    head = energy[len(z) - lags]
    tail = energy[-1] - energy[lags]
    like = full[lags] / np.sqrt(np.maximum(head * tail, 1e-30))
    best = float(like.max())
    for first in np.flatnonzero(like >= LIKENESS * best):
        if first + 1 == most or like[first + 1] <= like[first]:
            return int(lags[first]), float(like[first])
    return int(lags[like.argmax()]), best


def _autocorrelation(z: Floats) -> Floats:
    size = 1 << (2 * len(z) - 1).bit_length()
    spectrum = np.fft.rfft(z, size)
    out: Floats = np.fft.irfft(spectrum * np.conj(spectrum), size)[: len(z)]
    return out


def _slowness(log_interval: Floats, n: int) -> Floats:
    """Log slowness at each interval: the mean over one whole repeat, which holds each gap once."""
    kernel = np.ones(n) if n % 2 else np.concatenate(([0.5], np.ones(n - 1), [0.5]))
    padded = np.pad(log_interval, len(kernel) // 2, mode="edge")
    out: Floats = np.convolve(padded, kernel / kernel.sum(), mode="valid")
    return out


def _template(times_s: Floats, n: int) -> Floats:
    """First guess of the n gaps, as fractions of the repeat, from the stretch that repeats best."""
    x = np.log(np.diff(times_s))
    x = x - (_slowness(x, n) if n < FEW_PULSES else _running_median(x, n))
    rows = len(x) - n
    change = np.abs(x[n:] - x[:-n])
    span = min(rows, max(n, 3 * n))
    cost = np.convolve(np.minimum(change, 0.7), np.ones(span), mode="valid")
    start = int(np.argmin(cost))
    stack = x[start : start + (span // n + 1) * n]
    stack = stack[: len(stack) // n * n].reshape(-1, n)
    gaps: Floats = np.exp(np.median(stack, axis=0))
    return np.asarray(gaps / gaps.sum())


def _running_median(x: Floats, width: int) -> Floats:
    width = min(width | 1, len(x) - 1 + len(x) % 2)
    half = width // 2
    padded = np.pad(x, half, mode="edge")
    out: Floats = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    return out


def _refined(times_s: Floats, gaps: Floats) -> tuple[Floats, float]:
    """Follow the guessed wheel and measure its gaps anew. Returns gaps, and the share of odd edges."""
    n = len(gaps)
    angles = 360.0 * np.concatenate(([0.0], np.cumsum(gaps)[:-1]))
    track = follow_wheel(times_s, WheelPattern("guess", angles, learned=True))
    if len(track.times_s) < n + 3:
        return gaps, 1.0
    place = np.searchsorted(angles, track.turn_deg % 360.0 + 1e-6, side="right") - 1
    step = np.diff(track.times_s)
    whole = (np.diff(track.segment) == 0) & ((np.diff(place) - 1) % n == 0) & (np.diff(track.turn_deg) < 360.0)
    x = np.log(step)
    flat = x - np.log(gaps[place[:-1]])
    speed = _slowness(flat, n)
    fast = _fast_part(speed)
    value = x - speed
    new = gaps.copy()
    for k in range(n):
        mine = value[(place[:-1] == k) & whole & fast]
        if len(mine) == 0:
            mine = value[(place[:-1] == k) & whole]
        if len(mine):  # the mean, which takes a swing that alternates from turn to turn with it
            middle = np.median(mine)
            near = mine[np.abs(mine - middle) <= ASTRAY]
            new[k] = np.exp(near.mean() if len(near) else middle)
    new /= new.sum()
    odd = (track.missed + track.extra) / max(len(times_s), 1)
    return new, odd


def _fast_part(log_slowness: Floats) -> Bools:
    """Where the engine turns fast enough that compression hardly shapes the intervals (ripple falls as 1/speed^2)."""
    fastest = np.percentile(log_slowness, 5)
    slowest = np.percentile(log_slowness, 95)
    if slowest - fastest < 0.9:
        return np.ones(len(log_slowness), dtype=np.bool_)
    return np.asarray(log_slowness < fastest + 0.5)


@dataclass(frozen=True, slots=True)
class OnePolarity:
    """What the edges of one polarity show."""

    shape: Shape
    misfit: float
    odd: float = 0.0


def _even_misses(times_s: Floats) -> float:
    """Share of odd pulses, taken for an even wheel that loses some: chance lets a few look like a pattern."""
    teeth = _usual_even(times_s, 1)
    track = follow_wheel(times_s, WheelPattern("even", np.arange(teeth) * 360.0 / teeth, learned=True))
    return (track.missed + track.extra) / len(times_s)


def learn_polarity(times_s: Floats) -> OnePolarity | None:
    """One repeat of the pattern in edges of one polarity; None when there are too few of them."""
    if len(times_s) < 6:
        return None
    n, likeness = find_repeat(times_s)
    if n == 1 and likeness < 1.0 and _even_misses(times_s) > LOSSY_EVEN:
        return None
    if n == 1:
        return OnePolarity(Shape(np.ones(1), "even", 0.0), 1.0 - likeness)
    gaps = _template(times_s, n)
    odd = 1.0
    for _ in range(3):
        gaps, odd = _refined(times_s, gaps)
    if likeness < FAINT and odd > MOST_ODD_OF_FAINT:
        return None
    shape = shape_of(gaps, len(times_s) / len(gaps) / float(times_s[-1] - times_s[0]))
    doubtful = shape.sort == "grid" and odd > ODD_PULSES and len(times_s) < FEW_REPEATS * n
    if shape.sort == "even" or (doubtful and _even_misses(times_s) < 2.0 * odd):
        return OnePolarity(Shape(np.ones(1), "even", shape.misfit), shape.misfit + odd + EVEN_MISFIT, odd)
    split = int(((shape.gaps > 1.5) & (np.roll(shape.gaps, 1) > 1.5)).sum()) if shape.sort == "grid" else 0
    return OnePolarity(shape, shape.misfit + odd + 0.3 * (1.0 - likeness) + SPLIT_GAP * split, odd)


def learn_wheel(
    train: EdgeTrain,
    repeats_from_cams: int | None = None,
    *,
    cycles: Sequence[tuple[int, int] | None] = (),
) -> Learned | None:
    """The wheel that a crank sensor's edges show.

    Parameters
    ----------
    train : EdgeTrain
    repeats_from_cams : int, optional
        How often the pattern comes in one turn, where that is known.
    cycles : optional
        What the cams say of that: see ``turns.infer_turns``.

    Returns
    -------
    Learned or None
        None when nothing repeats or too few edges were seen.
    """
    found: list[tuple[OnePolarity, Edge]] = []
    for edge in EDGES:
        got = learn_polarity(train.of(edge))
        if got is not None:
            if train.sharper not in (None, edge):
                got = replace(got, misfit=got.misfit + BLUNT)
            found.append((got, edge))
    if not found:
        return None
    least = min(f[0].misfit for f in found)
    best, edge = next(f for f in found if f[0].misfit <= least + AS_GOOD)  # rising first: the same one every time
    plain = len(found) == 2 and train.sharper is None and train.kind != "vr"
    if plain and best.shape.sort in ("even", "uneven"):
        best, edge = _by_widths(train, best, edge) or (best, edge)
    seen = Learned(WheelPattern("", np.zeros(1)), rotated(best.shape), Turns(1, 0.0), best.misfit, best.odd)
    seen = replace(seen, wheel=replace(seen.wheel, active_edge=edge, kind=train.kind))
    return with_turns(seen, train.times_s, cycles, repeats_from_cams)


def with_turns(
    learned: Learned,
    times_s: Floats,
    cycles: Sequence[tuple[int, int] | None] = (),
    repeats: int | None = None,
) -> Learned:
    """The same pattern, with what the cams say of how often it comes in a turn."""
    shape = learned.shape
    turns = infer_turns(shape.sort, len(shape.gaps), shape.positions, cycles)
    if repeats is not None:
        turns = Turns(repeats, 1.0)
    taken = turns.repeats
    if shape.sort == "even" and not turns.likely:
        taken = _usual_even(times_s)
    one = shape.gaps / shape.gaps.sum() * 360.0 / taken
    wheel = WheelPattern(
        name=wheel_name(shape, taken),
        angles_deg=np.concatenate(([0.0], np.cumsum(np.tile(one, taken))[:-1])),
        active_edge=learned.wheel.active_edge,
        kind=learned.wheel.kind,
        learned=True,
        repeat_deg=360.0 / taken,
        position_known=False,
    )
    found = replace(learned, wheel=wheel, turns=turns)
    return replace(found, notes=_turn_notes(found))


def _usual_even(times_s: Floats, polarities: int = 2) -> int:
    """Teeth of an even wheel that nothing counts: as many as make a plausible speed. Only to follow its speed."""
    pulses_per_s = 1.0 / max(polarities * float(np.median(np.diff(times_s))), 1e-6)
    return int(np.clip(round(pulses_per_s / USUAL_HZ_PER_POSITION), 6, 60))


def _turn_notes(learned: Learned) -> tuple[str, ...]:
    """What is open about the turn, in words."""
    if learned.turn_certain:
        return ()
    if learned.turns.certain:
        return (f"{100 * learned.odd:.0f} in 100 crank pulses are lost or added: its wheel is likely, not certain",)
    shape, turns = learned.shape, learned.turns
    if shape.sort == "even":
        what = "the crank's pulses are evenly spaced"
    else:
        on = f" on {int(shape.positions)} positions" if shape.sort == "grid" else ""
        what = f"the crank's pattern repeats after {len(shape.gaps)} pulses{on}"
    if turns.likely:
        rest = f"taken for {_ordinal(turns.repeats)} of a turn, which is usual; it could be {_ordinals(turns.others)}"
        if shape.sort == "even":
            rest = f"{turns.repeats} a turn fits the cams best, but {', '.join(map(str, turns.others))} would too"
    else:
        rest = "which part of a turn that is cannot be told, so speed is not known: record a cam sensor beside it"
    return (f"{what}: {rest}",)


def _ordinals(repeats: Sequence[int]) -> str:
    return " or ".join(_ordinal(k) for k in repeats) or "another part"


def _ordinal(n: int) -> str:
    return {1: "the whole", 2: "half", 3: "a third", 4: "a quarter"}.get(n, f"a {n}th")


# ------------------------------------------------------------------------------------------------- wide and narrow

WIDTHS_LIKE = 0.6  # correlation of the widths with themselves a turn later
SMOOTHER = 0.6  # share of the other polarity's roughness below which one is the even one
WIDTHS_SPREAD = 0.06  # standard deviation of the widths, in pitches, from which they are meant


def _by_widths(train: EdgeTrain, best: OnePolarity, edge: Edge) -> tuple[OnePolarity, Edge] | None:
    """An evenly spaced wheel whose teeth differ in width: the other polarity then carries the place.

    Its edges are placed between two even ones, which takes the engine's speed out. While the engine is cranked even
    ones look uneven too: they are then those that are much the smoother.
    """
    even: Edge = edge
    least = WIDTHS_SPREAD
    if best.shape.sort != "even":
        rough = {e: float(np.sqrt(np.mean(roughness(train.of(e)) ** 2))) for e in EDGES}
        even, least = min(EDGES, key=lambda e: rough[e]), 2.0 * WIDTHS_SPREAD
        if rough[even] > SMOOTHER * max(rough.values()):
            return None
    other: Edge = "falling" if even == "rising" else "rising"
    teeth = _usual_even(train.times_s)
    track = follow_wheel(train.of(even), WheelPattern("even", np.arange(teeth) * 360.0 / teeth, learned=True))
    tooth = np.round(track.turn_deg * teeth / 360.0).astype(np.int64)
    longest = track.segment == np.bincount(track.segment).argmax() if len(tooth) else np.zeros(0, np.bool_)
    base, tooth = track.times_s[longest], tooth[longest]
    between = train.of(other)
    at = np.searchsorted(base, between) - 1
    inside = (at >= 0) & (at + 1 < len(base))
    at, between = at[inside], between[inside]
    whole = tooth[at + 1] - tooth[at] == 1
    at, between = at[whole], between[whole]
    if len(at) < 12:
        return None
    share = np.full(int(tooth[-1] - tooth[0]) + 1, np.nan)
    share[tooth[at] - tooth[0]] = (between - base[at]) / (base[at + 1] - base[at])
    known = share[np.isfinite(share)]
    if not len(known) or float(known.std()) < least:
        return None
    n, likeness = _repeat_of(np.where(np.isfinite(share), share - known.mean(), 0.0))
    if n < 2 or likeness < WIDTHS_LIKE:
        return None
    rows = np.pad(share, (0, -len(share) % n), constant_values=np.nan).reshape(-1, n)
    if not np.isfinite(rows).any(axis=0).all():
        return None
    at = np.arange(n) + np.nanmedian(rows, axis=0)
    gaps = np.diff(np.append(at, at[0] + n))
    return OnePolarity(Shape(gaps, "uneven", 0.0), 1.0 - likeness), other


def told_by_cams(
    cams: Sequence[CamEdges], cycles: Sequence[tuple[int, int] | None]
) -> tuple[tuple[int, int] | None, ...]:
    """What the cams say of the turn: pulses that are all alike and evenly spaced tell no more than a single one."""
    return tuple((c[0], 1) if c is not None and _evenly_spaced(cam) else c for cam, c in zip(cams, cycles, strict=True))


def _evenly_spaced(cam: CamEdges) -> bool:
    for up in (True, False):
        step = np.diff(cam.angle_deg[(cam.rising == up) & (cam.segment == np.bincount(cam.segment).argmax())])
        if len(step) < 4 or float(np.abs(step / np.median(step) - 1.0).mean()) > EVENLY:
            return False
    return True


def cam_repeat(angle_deg: Floats, repeat_deg: float) -> tuple[int, int] | None:
    """After how many of the crank's repeats one cam's like edges come again, and how many of them there are.

    Parameters
    ----------
    angle_deg : (E,) float64. Edges of one polarity on the crank clock, increasing. [deg]
    repeat_deg : float. The crank pattern's repeat on that clock. [deg]

    Returns
    -------
    (repeats, pulses) or None
        The fewest pulses after which every edge comes a whole number of repeats later.
    """
    tolerance = 0.035 if repeat_deg > 60.0 else 0.25
    for pulses in range(1, min(25, len(angle_deg) // 2 + 1)):
        later = (angle_deg[pulses:] - angle_deg[:-pulses]) / repeat_deg
        whole = float(np.round(np.median(later)))
        if whole >= 1 and np.percentile(np.abs(later - whole), 80) < tolerance:
            return int(whole), pulses
    return None

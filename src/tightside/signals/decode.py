"""A sensor recording decoded: edges of every channel, the crank wheel followed, the clock, the cams on it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tightside.errors import DataError
from tightside.records import (
    CamEdges,
    Channel,
    CrankClock,
    EdgeTrain,
    Floats,
    Recording,
    SensorKind,
    ToothTrack,
    Trace,
    WheelPattern,
)
from tightside.signals.chatter import without_chatter
from tightside.signals.clock import make_clock
from tightside.signals.follow import follow_wheel
from tightside.signals.learn import Learned, told_by_cams, with_turns
from tightside.signals.long_edges import find_all_edges
from tightside.signals.recognise import (
    CrankChoice,
    cam_edges,
    choose_crank,
    could_be_sensor,
    cycle_of,
    with_role,
)

WRONG_WHEEL = 0.22  # share of teeth missed or pulses too many from which the wheel is not the one expected
MISFITTING = 0.02  # misfit from which a learned wheel that fits far better is believed
OTHER_FITS = 0.6  # a coil's other polarity is taken if it fits this much better
FEWEST_TEETH = 6
THREADED_BYTES = 16 << 20  # of samples, from which a second thread is worth its start
THREADS = 2


@dataclass(frozen=True, slots=True)
class Decoded:
    """What the signals of one recording say, before any cam pattern is held against them."""

    recording: Recording  # with the roles that the signals gave
    trains: Mapping[str, EdgeTrain]
    crank_column: str | None
    wheel: WheelPattern | None
    track: ToothTrack | None
    clock: CrankClock | None
    cams: tuple[CamEdges, ...]
    cycles: tuple[tuple[int, int] | None, ...]  # per cam: repeats of the crank pattern until it comes again, pulses
    faults: tuple[str, ...]
    notes: tuple[str, ...]
    learned: Learned | None = None  # where the wheel was learned from this recording


def decode(
    recording: Recording,
    wheel: WheelPattern | None = None,
    *,
    kinds: Mapping[str, SensorKind] | None = None,
    progress: Callable[[str, float], None] = lambda _what, _share: None,
) -> Decoded:
    """Decode a sensor recording.

    Parameters
    ----------
    recording : Recording
    wheel : WheelPattern, optional
        From an engine file or a reference; learned from the recording where it is not given.
    kinds : role -> sensor kind, optional
        What an engine file says of the sensors; told from the signals otherwise.
    progress : callable
        Told what is being done and the share done.

    Raises
    ------
    DataError
        "wrong-wheel" when the crank signal plainly shows another wheel than the one given.
    """
    if recording.kind != "sensor":
        return Decoded(recording, {}, None, wheel, None, None, (), (), (), (f"a {recording.kind}, not sensor signals",))
    trains = _trains(recording, dict(kinds or {}), progress)
    progress("crank wheel", 0.6)
    choice = choose_crank(recording, trains)
    if choice is None:
        return Decoded(recording, trains, None, wheel, None, None, (), (), (_no_crank(recording, trains),), ())
    column = choice.channel.column
    recording = _with_crank(recording, choice)
    notes = [n for n in (choice.doubt,) if n]
    train = trains[column]
    if wheel is None:
        return _decode_learned(recording, trains, choice, notes)
    wheel, track, faults = _follow_given(train, wheel, choice.learned, recording.file)
    clock, cams, cycles = _clocked(recording, trains, column, track, wheel)
    return Decoded(recording, trains, column, wheel, track, clock, cams, cycles, tuple(faults), tuple(notes))


def _trains(
    recording: Recording, kinds: Mapping[str, SensorKind], progress: Callable[[str, float], None]
) -> dict[str, EdgeTrain]:
    """Edges of every channel that could be a sensor's; of a large recording, two channels at a time."""
    channels = [c for c in recording.channels if could_be_sensor(c)]

    def train_of(channel: Channel) -> EdgeTrain:
        kind = kinds.get(channel.role or "")
        found = find_all_edges(channel, kind=None if kind == "logic" else kind)
        return without_chatter(found)

    large = sum(c.data.raw.nbytes for c in channels if isinstance(c.data, Trace)) > THREADED_BYTES
    trains = {}
    with ThreadPoolExecutor(THREADS) as pool:  # which starts no thread before it is given work
        found = iter((pool.map if large else map)(train_of, channels))
        for i, channel in enumerate(channels):
            progress(f"edges of {channel.column}", 0.1 + 0.5 * i / len(channels))
            trains[channel.column] = next(found)
    return trains


def _no_crank(recording: Recording, trains: Mapping[str, EdgeTrain]) -> str:
    named = recording.with_role("crank")
    if named is not None and named.column in trains:
        train = trains[named.column]
        if train.quality == "flat":
            return f'"{named.column}" is flat: no crank signal'
        if train.quality == "noisy":
            return f'"{named.column}" shows only noise: no crank signal'
        return f'"{named.column}" shows {len(train.times_s)} level changes: too few for a crank signal'
    return "no channel shows a crank wheel; say which one it is with --channel crank=COLUMN"


def _with_crank(recording: Recording, choice: CrankChoice) -> Recording:
    """The recording with the crank's role where the signal put it."""
    if recording.with_role("crank") is choice.channel:
        return recording
    channels = []
    for c in recording.channels:
        if c is choice.channel:
            channels.append(with_role(c, "crank", choice.why))
        elif c.role == "crank":
            channels.append(with_role(c, None, f"headed crank, but doubtful: {choice.doubt}"))
        else:
            channels.append(c)
    return replace(recording, channels=tuple(channels))


def _decode_learned(
    recording: Recording, trains: Mapping[str, EdgeTrain], choice: CrankChoice, notes: list[str]
) -> Decoded:
    """No wheel was given: learn it, let the cams say how often its pattern comes in one turn."""
    column = choice.channel.column
    learned = choice.learned
    if learned is None:
        fault = f'"{column}": {len(trains[column].times_s)} level changes, too few to learn its wheel'
        return Decoded(recording, trains, column, None, None, None, (), (), (fault,), tuple(notes))
    track = follow_wheel(trains[column].of(learned.wheel.active_edge), learned.wheel)
    clock, cams, cycles = _clocked(recording, trains, column, track, learned.wheel)
    for _ in range(2):  # an even wheel's teeth are first taken for a number that its speed makes likely
        told = with_turns(learned, trains[column].times_s, told_by_cams(cams, cycles))
        if told.wheel.repeat_deg != learned.wheel.repeat_deg:
            track = follow_wheel(trains[column].of(told.wheel.active_edge), told.wheel)
            clock, cams, cycles = _clocked(recording, trains, column, track, told.wheel)
        same_turn, learned = told.wheel.repeat_deg == learned.wheel.repeat_deg, told
        if same_turn:
            break
    faults = _track_faults(track, learned.wheel)
    notes = [*notes, *learned.notes]
    return Decoded(
        recording, trains, column, learned.wheel, track, clock, cams, cycles, tuple(faults), tuple(notes), learned
    )


def _clocked(
    recording: Recording, trains: Mapping[str, EdgeTrain], column: str, track: ToothTrack, wheel: WheelPattern
) -> tuple[CrankClock, tuple[CamEdges, ...], tuple[tuple[int, int] | None, ...]]:
    """The clock of a wheel that was followed, the cams on it, and how each of them repeats."""
    train = trains[column]
    clock = make_clock(track, wheel, 0.0 if train.kind == "vr" else train.transition_s)  # a coil's swing is no delay
    cams = _cams_on(recording, trains, clock, column)
    return clock, cams, tuple(cycle_of(c, clock.repeat_deg) for c in cams)


def _cams_on(
    recording: Recording, trains: Mapping[str, EdgeTrain], clock: CrankClock, crank_column: str
) -> tuple[CamEdges, ...]:
    """Every other sensor channel that could be a cam, on the clock. A channel without a role must repeat like a cam."""
    out = []
    for channel in recording.channels:
        train = trains.get(channel.column)
        if train is None or channel.column == crank_column or len(train.times_s) < 3:
            continue
        named = channel.role is not None and channel.role.startswith("cam:")
        edges = cam_edges(channel, train, clock, channel.role[4:] if named and channel.role else channel.column)
        if named or "cam" in channel.why.lower() or cycle_of(edges, clock.repeat_deg) is not None:
            out.append(edges)
    return tuple(out)


def _follow_given(
    train: EdgeTrain, wheel: WheelPattern, learned: Learned | None, file: str
) -> tuple[WheelPattern, ToothTrack, list[str]]:
    """Follow the wheel that was given; turn it over where only the other polarity fits; refuse another wheel."""
    other: Literal["rising", "falling"] = "falling" if wheel.active_edge == "rising" else "rising"
    track = follow_wheel(train.of(wheel.active_edge), wheel)
    bad = misfit(track, wheel, len(train.of(wheel.active_edge)))
    faults: list[str] = []
    per_turn = (track.missed + track.extra) / max(len(track.times_s) / wheel.pulses_per_revolution, 1.0)
    coil = wheel.kind == "vr" and wheel.pulses_per_revolution >= 12  # its blunt crossings split the gap in two
    if coil or per_turn > 0.5:
        turned = replace(wheel, active_edge=other)
        track2 = follow_wheel(train.of(other), turned)
        bad2 = misfit(track2, turned, len(train.of(other)))
        if bad2 < (OTHER_FITS if coil else 0.2) * bad:
            wheel, track, bad = turned, track2, bad2
            faults.append(f"the crank signal is upside down: its {other} edges carry the wheel, not the other ones")
    if learned is not None and _another_wheel(wheel, learned, bad):
        raise DataError(
            code="wrong-wheel",
            what=f"{file}: the crank signal does not fit the engine file's wheel",
            expected=f"{wheel.name} ({wheel.pulses_per_revolution} pulses a turn)",
            got=f"{learned.wheel.name} ({learned.wheel.pulses_per_revolution} pulses a turn)",
            where=f'channel "{train.column}"',
            hint="Use this engine's file, or say which column is the crank with --channel crank=COLUMN",
        )
    return wheel, track, [*faults, *_track_faults(track, wheel)]


def _another_wheel(wheel: WheelPattern, learned: Learned, bad: float) -> bool:
    """Whether the signal plainly shows a wheel that is not the given one."""
    given, shown = wheel.pulses_per_revolution, learned.wheel.pulses_per_revolution
    if not learned.turn_certain or abs(given - shown) <= max(3, 0.1 * given):
        return False
    return bad > WRONG_WHEEL or (bad > MISFITTING and learned.misfit < 0.5 * bad)


def misfit(track: ToothTrack, wheel: WheelPattern, pulses: int) -> float:
    """How badly a wheel was followed: teeth missed and pulses too many, and uneven speed at its teeth. 0 is perfect."""
    if len(track.times_s) < FEWEST_TEETH:
        return 1.0
    odd = (track.missed + track.extra) / max(pulses, 1)
    if odd > 0.5:
        return odd
    slow = _slowness(track)
    if len(slow) < 3:
        return odd
    return float(odd + np.mean(np.abs(np.clip(slow[1:-1] - 0.5 * (slow[:-2] + slow[2:]), -0.5, 0.5))))


def _slowness(track: ToothTrack) -> Floats:
    dt, da = np.diff(track.times_s), np.diff(track.turn_deg)
    good = (np.diff(track.segment) == 0) & (da > 0)
    return np.asarray(np.log(dt[good] / da[good]))


def _track_faults(track: ToothTrack, wheel: WheelPattern) -> list[str]:
    faults = list(track.faults)
    n = max(len(track.times_s), 1)
    if track.missed > 0.002 * n and track.missed >= 2:
        faults.append(f"{track.missed} teeth gave no pulse")
    if track.extra > 0.002 * n and track.extra >= 2:
        faults.append(f"{track.extra} pulses too many")
    return faults

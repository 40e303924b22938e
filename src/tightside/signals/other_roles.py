"""What channels measure that are neither crank nor cam, from what they do over the engine's cycle.

Cylinder pressure rises once a cycle in one smooth lobe. While the starter turns the engine its current is highest, and
the battery's voltage lowest, where compression slows the crank. Pressure in the manifold is highest while the engine
stands. What fires or injects comes once a cycle for a time, not for an angle. These are mechanics and electricity of
any four-stroke engine; the limits below are our own, shown by ``tests/test_other_roles.py`` on simulated engines.

A heading that the signal contradicts is doubted aloud, and not believed unless it was said by hand.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tightside.errors import DataError
from tightside.records import Channel, CrankClock, EdgeTrain, Floats, Recording, SensorKind, Trace, WheelPattern
from tightside.signals.clock import angle_at
from tightside.signals.cycle_shape import (
    BIN_DEG,
    BINS,
    CRANKING_RPM,
    CycleShape,
    cycle_shape,
    swings_per_cycle,
    without_drift,
)
from tightside.signals.decode import Decoded, decode
from tightside.signals.edges import find_edges
from tightside.signals.learn import learn_wheel

OTHERS = ("starter_current", "battery_voltage", "sync", "cylinder_pressure", "manifold_pressure")
LOBE_DEG = (28.0, 150.0)  # width of cylinder pressure at half its height
FOLLOWS = 0.6  # correlation with the crank's speed over the cycle
WHEEL_PULSES = 40
SHORTEST_TOOTH_DEG = 3.0  # a cam's are wider
COIL_V = 40.0  # no sensor gives as much
TOP_BEFORE_DEG, TOP_AFTER_DEG = 20.0, 35.0  # where a cylinder's pressure peaks about its top
SPARK_BEFORE_DEG, SPARK_AFTER_DEG = 55.0, 10.0


@dataclass(frozen=True, slots=True)
class Sight:
    """What a channel looks like: a role without its number ("sync"), or None with what can be said."""

    role: str | None
    why: str
    at_deg: float | None = None  # where in the cycle, on the crank clock


def decode_all(
    recording: Recording,
    wheel: WheelPattern | None = None,
    *,
    kinds: Mapping[str, SensorKind] | None = None,
    tops_deg: Mapping[int, float] | None = None,
    progress: Callable[[str, float], None] = lambda _what, _share: None,
) -> Decoded:
    """`decode`, and then the roles of what is neither crank nor cam.

    Parameters
    ----------
    tops_deg : cylinder -> crank angle of its compression top, from an engine file.
    """
    try:
        decoded = decode(recording, wheel, kinds=kinds, progress=progress)
    except DataError as problem:
        doubted = _without_wheels(recording) if problem.code == "wrong-wheel" else recording
        if doubted is recording:
            raise
        decoded = decode(doubted, wheel, kinds=kinds, progress=progress)
    smooth = _smooth_channels(decoded)
    if smooth:  # they come again and again as a camshaft does, and not in the same time
        without = tuple(replace(c, role="sound") if c.column in smooth else c for c in recording.channels)
        again = decode(replace(recording, channels=without), wheel, kinds=kinds, progress=progress)
        shown = tuple(replace(c, role=None) if c.column in smooth else c for c in again.recording.channels)
        decoded = replace(again, recording=replace(again.recording, channels=shown))
    if not _followed(decoded) and (doubted := _without_wheels(recording)) is not recording:
        decoded = decode(doubted, wheel, kinds=kinds, progress=progress)
    return with_other_roles(decoded, tops_deg or {})


def _smooth_channels(decoded: Decoded) -> set[str]:
    """Channels by which a learned wheel's turn may have been told wrongly: as it was told, or if its pattern is one
    turn, they are one of the others."""
    clock, wheel = decoded.clock, decoded.wheel
    if clock is None or wheel is None or not wheel.learned or wheel.repeat_deg > 359.0:
        return set()
    times = 360.0 / wheel.repeat_deg
    slower = replace(clock, angle_deg=clock.angle_deg * times, speed_deg_s=clock.speed_deg_s * times, repeat_deg=360.0)
    free = [c for c in decoded.recording.channels if c.role is None and c.column != decoded.crank_column]
    return {c.column for c in free if any(_smooth(c, k) is not None for k in (clock, slower))}


# ------------------------------------------------------------------------------------- headings over a crank wheel


def _has_gap(wheel: WheelPattern | None) -> bool:
    return wheel is not None and not wheel.name.startswith(("even", "uneven"))


def _followed(decoded: Decoded) -> bool:
    """Whether a crank wheel with a gap was followed well for two turns or more."""
    track, wheel = decoded.track, decoded.wheel
    if track is None or wheel is None or not _has_gap(wheel):
        return False
    teeth = len(track.times_s)
    return teeth >= 2 * wheel.pulses_per_revolution and track.missed + track.extra < 0.3 * teeth


def _other(channel: Channel) -> bool:
    return channel.role is not None and channel.role.split(":")[0] in OTHERS


def _without_wheels(recording: Recording) -> Recording:
    """The recording without the roles of columns that are headed as something else and show a crank wheel."""
    changed = tuple(_undone_if_wheel(c) if _other(c) and not c.by_hand else c for c in recording.channels)
    same = all(a is b for a, b in zip(changed, recording.channels, strict=True))
    return recording if same else replace(recording, channels=changed)


def _undone_if_wheel(channel: Channel) -> Channel:
    train = find_edges(channel)
    if int(train.rising.sum()) < WHEEL_PULSES:
        return channel
    learned = learn_wheel(train)
    if learned is None or not _has_gap(learned.wheel) or not learned.turn_certain:
        return channel
    seen = f"it shows a crank wheel, {learned.wheel.name}"
    return replace(channel, role=None, why=f"headed {channel.role}, but doubtful: {seen}")


# ------------------------------------------------------------------------------------------------- all the others


def with_other_roles(decoded: Decoded, tops_deg: Mapping[int, float]) -> Decoded:
    """Roles proposed for channels without one, and headings held against the signal."""
    clock = decoded.clock
    if clock is None or len(clock.times_s) < 2:
        return decoded
    notes = list(decoded.notes)
    sights = {c.column: s for c in decoded.recording.channels if (s := _sight(c, decoded, clock)) is not None}
    wanted = [s.role for s in sights.values()]
    channels = []
    for channel in decoded.recording.channels:
        sight = sights.get(channel.column)
        if sight is None:
            channels.append(channel)
            continue
        changed = _doubted(channel, sight) if channel.role else _proposed(channel, sight, wanted, clock, tops_deg)
        if "doubtful" in changed.why and changed is not channel:
            notes.append(f'"{channel.column}": {changed.why}')
        channels.append(changed)
    taken: set[str] = set()
    channels = [_once(c, old, taken) for c, old in zip(channels, decoded.recording.channels, strict=True)]
    kept = [i for i, cam in enumerate(decoded.cams) if not _is_other(cam.column, sights, channels)]
    return replace(
        decoded,
        recording=replace(decoded.recording, channels=tuple(channels)),
        cams=tuple(decoded.cams[i] for i in kept),
        cycles=tuple(decoded.cycles[i] for i in kept),
        notes=tuple(notes),
    )


def _is_other(column: str, sights: Mapping[str, Sight], channels: list[Channel]) -> bool:
    named = next(c for c in channels if c.column == column).role or ""
    return column in sights and not named.startswith("cam:")


def _once(channel: Channel, before: Channel, taken: set[str]) -> Channel:
    """A proposed role goes to one column."""
    if channel.role is None:
        return channel
    if channel.role in taken and before.role is None:
        return replace(channel, role=None, why=f"{channel.why}; another column has {channel.role}")
    taken.add(channel.role)
    return channel


def _sight(channel: Channel, decoded: Decoded, clock: CrankClock) -> Sight | None:
    """What the channel looks like, if it looks like any of the others; crank, cams and what is no signal are left."""
    free = channel.role is None and channel.column != decoded.crank_column and "cam" not in channel.why.lower()
    if not (free or _other(channel)):
        return None
    sight = _smooth(channel, clock)
    if sight is not None:
        return sight
    train = decoded.trains.get(channel.column) or find_edges(channel)
    return _firing(channel, train, clock)


def _smooth(channel: Channel, clock: CrankClock) -> Sight | None:
    """What a channel without edges looks like."""
    if not isinstance(channel.data, Trace):
        return None
    shape = cycle_shape(channel.data, clock)
    if shape is None:
        return None
    outside = _outside(channel.data, clock)
    looks = (_cylinder_pressure, _starter_current, _battery_voltage, _manifold_pressure)
    return next((s for look in looks if (s := look(channel, shape, outside)) is not None), None)


@dataclass(frozen=True, slots=True)
class Outside:
    """A channel's value while the engine stands before it turns (None where that was not recorded), and at the end."""

    rest: float | None
    late: float
    late_rpm: float


def _outside(trace: Trace, clock: CrankClock) -> Outside:
    still = int((clock.times_s[0] - trace.start_s) * trace.rate_hz) // 3
    known = still >= max(3.0, 0.03 * trace.rate_hz)
    last = clock.times_s[max(len(clock.times_s) - 20, 0) :]
    angle = clock.angle_deg[-len(last) :]
    rpm = float((angle[-1] - angle[0]) / max(last[-1] - last[0], 1e-9) / 6.0)
    end = trace.raw[-max(len(trace.raw) // 8, 1) :]

    def value(raw: NDArray[Any]) -> float:
        return float(np.median(raw[:: 1 + len(raw) // 100_000])) * trace.scale + trace.offset

    return Outside(value(trace.raw[:still]) if known else None, value(end), rpm)


# ------------------------------------------------------------------------------------------------------ one by one


def _cylinder_pressure(channel: Channel, shape: CycleShape, outside: Outside) -> Sight | None:
    """One smooth lobe a cycle over a flat rest: neither the flat tooth of a Hall sensor nor a coil's two swings."""
    p = shape.profile
    base, top = float(np.percentile(p, 30)), float(p.max())
    size = top - base
    if size <= 6.0 * shape.noise or size <= 0 or channel.unit not in ("", "V", "kPa"):
        return None
    part = np.roll((p - base) / size, BINS // 2 - int(np.argmax(p)))  # the peak in the middle
    above = part > 0.5
    middle = np.abs(np.arange(BINS) - BINS // 2) * BIN_DEG
    width = float(above.sum() * BIN_DEG)
    one = bool(np.all(above[middle <= 0.5 * width - BIN_DEG])) or int(np.count_nonzero(np.diff(above))) == 2
    flanks = int(np.count_nonzero((part > 0.15) & (part < 0.85)))
    flat_top = int(np.count_nonzero(part > 0.95)) * BIN_DEG
    calm = part[middle > 110.0].max() < 0.35 and part.min() > -0.3
    if not (one and LOBE_DEG[0] <= width <= LOBE_DEG[1] and flanks >= 4 and flat_top < 0.45 * width and calm):
        return None
    at = (shape.zero_deg + BIN_DEG * (int(np.argmax(p)) + 0.5)) % 720.0
    return Sight("cylinder_pressure", f"one smooth rise in each two turns, {width:.0f} degrees wide at half height", at)


def _with_speed(shape: CycleShape) -> tuple[int, float, float]:
    """Swings a cycle, the part of the profile that is in them, and its correlation with the crank's speed."""
    profile, speed = without_drift(shape.profile), without_drift(shape.speed)
    count, share = swings_per_cycle(profile)
    if np.ptp(profile) <= 4.0 * shape.noise or np.ptp(speed) < 0.01:
        return count, share, 0.0
    return count, share, float(np.corrcoef(profile, speed)[0, 1])


def _starter_current(channel: Channel, shape: CycleShape, outside: Outside) -> Sight | None:
    """Highest where compression slows the crank, nothing while it stands."""
    count, share, follows = _with_speed(shape)
    level, swing = float(np.median(shape.profile)), float(np.ptp(shape.profile))
    cranking = float(np.median(shape.rpm)) < CRANKING_RPM
    if not cranking or count < 2 or share < 0.5 or follows > -FOLLOWS or not 0.03 < swing / max(level, 1e-9) < 3.0:
        return None
    rest = outside.rest
    why = f"swings {count} times a cycle and is highest where the crank is slowest, as the starter's current is"
    if channel.unit == "A" or (rest is not None and abs(rest) < 0.15 * level):
        return Sight("starter_current", why + ("" if channel.unit == "A" else "; nothing before the crank turns"))
    return Sight(None, f"{why}; its unit is not known (--channel starter_current=COLUMN)")


def _battery_voltage(channel: Channel, shape: CycleShape, outside: Outside) -> Sight | None:
    """Lowest where compression slows the crank, higher while nothing turns."""
    count, share, follows = _with_speed(shape)
    level, swing = float(np.median(shape.profile)), float(np.ptp(shape.profile))
    usual = 5.5 < level < 16.0 or 15.0 < level < 32.0
    if channel.unit not in ("V", "") or not usual or swing > 0.3 * level or count < 2 or share < 0.5:
        return None
    if float(np.median(shape.rpm)) > CRANKING_RPM or follows < FOLLOWS:
        return None
    rest = outside.rest
    if rest is not None and rest < 1.02 * level:
        return None
    sag = f", and sinks from {rest:.1f} V when the starter pulls" if rest is not None else ""
    return Sight("battery_voltage", f"{level:.1f} V, lowest where the crank is slowest{sag}")


def _manifold_pressure(channel: Channel, shape: CycleShape, outside: Outside) -> Sight | None:
    """Kilopascals within what a manifold has, or a sensor's volts that sink once the engine runs."""
    level, swing = float(np.median(shape.profile)), float(np.ptp(shape.profile))
    count, share, _ = _with_speed(shape)
    beats = count >= 2 and share > 0.5 and swing > 4.0 * shape.noise
    within = float(np.median(shape.high - shape.low))  # few degrees: what jumps to and fro in them is no pressure
    if max(swing, within) > 0.5 * level:
        return None
    rest, late = outside.rest, outside.late
    if channel.unit == "kPa" and 10.0 < level < 320.0:
        if beats:
            return Sight("manifold_pressure", f"{level:.0f} kPa, swings {count} times a cycle as cylinders draw")
        if rest is not None and 60.0 < rest < 115.0 and min(level, late) < 0.97 * rest:
            return Sight("manifold_pressure", f"sinks from {rest:.0f} to {late:.0f} kPa as the engine turns")
        if level < 80.0 and float(np.median(shape.rpm)) > CRANKING_RPM:
            return Sight("manifold_pressure", f"{level:.0f} kPa while the engine runs: no other pressure is as low")
    runs = outside.late_rpm > CRANKING_RPM
    if channel.unit in ("V", "") and rest is not None and runs and 0.3 < late < 0.75 * rest < 4.0:
        return Sight("manifold_pressure", f"sinks from {rest:.2f} to {late:.2f} once the engine runs, without jumps")
    return None


def _firing(channel: Channel, train: EdgeTrain, clock: CrankClock) -> Sight | None:
    """Pulses once a cycle, or once a turn, that last a time and not an angle: what fires or injects."""
    pulses = _pulses(train, clock)
    if pulses is None:
        return None
    ends_deg, width_s, width_deg, speed, each = pulses
    lasts = _lasts_a_time(width_s, width_deg, speed)
    high_v = max(abs(train.high), abs(train.low))
    high = isinstance(channel.data, Trace) and channel.unit == "V" and high_v > COIL_V
    short = float(np.median(width_deg)) < SHORTEST_TOOTH_DEG
    if not (lasts or short or (high and float(np.median(width_deg)) < 20.0)):
        return None
    why = f"one pulse in each {each:.0f} degrees"
    why += f", {1e3 * float(np.median(width_s)):.3g} ms long" + (" at any speed" if lasts else "")
    why += f", {high_v:.0f} V high" if high else ""
    at = _mean_angle(ends_deg, 720.0 if each > 540.0 else 360.0) if short or high else None
    return Sight("sync", f"{why}: what fires or injects, no cam tooth", at)


def _pulses(train: EdgeTrain, clock: CrankClock) -> tuple[Floats, Floats, Floats, Floats, float] | None:
    """End angle, width in time and in angle, crank speed, and the angle from one to the next, where pulses come evenly.

    The pulse is the shorter of the two levels.
    """
    found = []
    for up in (True, False):
        begins, ends = train.times_s[train.rising == up], train.times_s[train.rising != up]
        after = np.searchsorted(ends, begins, side="right")
        begins, after = begins[after < len(ends)], after[after < len(ends)]
        angle, speed, segment = angle_at(clock, ends[after])
        good = np.isfinite(angle)
        period = np.diff(angle[good])[np.diff(segment[good]) == 0]
        if len(period) < 3:
            continue
        width_s = (ends[after] - begins)[good]
        found.append((angle[good], width_s, width_s * speed[good], speed[good], period))
    if not found:
        return None
    angle, width_s, width_deg, speed, period = min(found, key=lambda f: float(np.median(f[2])))
    each = float(np.median(period))
    even = float(np.mean(np.abs(period - each) < 15.0)) > 0.8 and min(abs(each - 720.0), abs(each - 360.0)) < 10.0
    return (angle, width_s, width_deg, speed, each) if even else None


def _lasts_a_time(width_s: Floats, width_deg: Floats, speed_deg_s: Floats) -> bool:
    """Whether the width keeps to a time while the speed changes."""
    spread = np.percentile(speed_deg_s, 90) / np.percentile(speed_deg_s, 10)
    if spread < 1.2 or np.median(width_s) > 0.02:
        return False
    by_time, by_angle = (float(np.std(np.log(np.maximum(w, 1e-9)))) for w in (width_s, width_deg))
    return by_time < 0.5 * by_angle


def _mean_angle(angle_deg: Floats, period_deg: float) -> float:
    turned = np.exp(2j * np.pi * angle_deg / period_deg)
    return float(np.angle(np.mean(turned)) / (2 * np.pi) * period_deg % period_deg)


# --------------------------------------------------------------------------------------------- numbers and headings


def _proposed(
    channel: Channel, sight: Sight, wanted: list[str | None], clock: CrankClock, tops_deg: Mapping[int, float]
) -> Channel:
    if "doubtful" in channel.why:
        sight = replace(sight, why=f"{channel.why}; {sight.why}")
    if sight.role in ("sync", "cylinder_pressure"):
        return _numbered(channel, sight, wanted, clock, tops_deg)
    return replace(channel, role=sight.role, why=sight.why)


def _numbered(
    channel: Channel, sight: Sight, wanted: list[str | None], clock: CrankClock, tops_deg: Mapping[int, float]
) -> Channel:
    """The role with its cylinder, where that can be told."""
    fits = _cylinders_at(sight, clock, tops_deg)
    if len(fits) == 1:
        how = "peaks" if sight.role == "cylinder_pressure" else "comes"
        return replace(
            channel, role=f"{sight.role}:{fits[0]}", why=f"{sight.why}; {how} at the top of cylinder {fits[0]}"
        )
    alone = sight.role == "cylinder_pressure" and not tops_deg and wanted.count(sight.role) == 1
    if alone:
        said = f"taken as cylinder 1, there is no other (else say --channel {sight.role}:N=COLUMN)"
        return replace(channel, role=f"{sight.role}:1", why=f"{sight.why}; {said}")
    which = f"cylinder {' or '.join(map(str, fits))}" if fits else "of which cylinder is not known"
    return replace(channel, why=f"{sight.why}; looks like {sight.role}, {which} (--channel {sight.role}:N=COLUMN)")


def _cylinders_at(sight: Sight, clock: CrankClock, tops_deg: Mapping[int, float]) -> list[int]:
    """Cylinders whose top is where the signal says; the crank alone does not tell the two turns of a cycle apart."""
    if sight.at_deg is None or not clock.position_known or clock.repeat_deg < 360.0:
        return []
    pressure = sight.role == "cylinder_pressure"
    before, after = (TOP_BEFORE_DEG, TOP_AFTER_DEG) if pressure else (SPARK_BEFORE_DEG, SPARK_AFTER_DEG)
    return [n for n, top in tops_deg.items() if -before <= (sight.at_deg - top + 180.0) % 360.0 - 180.0 <= after]


def _doubted(channel: Channel, sight: Sight) -> Channel:
    """The channel with its heading's role, unless the signal is plainly something else."""
    headed = (channel.role or "").split(":")[0]
    if sight.role is None or sight.role == headed:
        return channel
    why = f"headed {channel.role}, but doubtful: {sight.why}"
    if channel.by_hand:
        return replace(channel, why=f"said by hand, but doubtful: {sight.why}")
    return replace(channel, role=None, why=why)

"""A slow log's cam phase columns, cam by cam, on one time base and with what the engine did meanwhile.

Nothing is turned into crank degrees or given a side here: values stand as they were logged.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from tightside.records import Bools, Channel, Floats, Levels, Record, Recording, Trace, array

KINDS = ("actual", "desired", "error")
STALE_PERIODS = 2.5  # a reading older than this no longer says what is now
TURNING_RPM = 400.0  # slower than any engine idles: standing, or on the starter
_ROLE = re.compile(r"log:cam_phase_(actual|desired|error):([1-9][AB])")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PhaseLog(Record):
    """One cam's logged phase. As logged; NaN where the log has nothing. S rows: those of the cam's own readings."""

    cam: str
    columns: tuple[tuple[str, str, str], ...]  # (kind, heading, unit) of what is there
    times_s: Floats = array()  # (S,) of actual, or of error where there is no actual
    actual: Floats = array()  # (S,)
    desired: Floats = array()  # (S,) as it stood at that time
    error: Floats = array()  # (S,)
    desired_times_s: Floats = array()  # (D,) the desired angle's own readings
    desired_values: Floats = array()  # (D,)
    rpm: Floats = array()  # (S,)
    throttle: Floats = array()  # (S,)
    ect_degc: Floats = array()  # (S,)
    turning: Bools = array(np.bool_)  # (S,) False where the engine is known to stand or crank
    period_s: float = 0.1  # from one reading to the next
    quantum: float = 0.0  # step of the readings, 0 where none shows

    def has(self, kind: str) -> bool:
        """Whether the log has this column."""
        return any(k == kind for k, _, _ in self.columns)

    @property
    def main(self) -> str:
        """Heading of the column that says most."""
        order = {"actual": 0, "error": 1, "desired": 2}
        return min(self.columns, key=lambda c: order[c[0]])[1]

    @property
    def duration_s(self) -> float:
        """From the first to the last reading. [s]"""
        return float(self.times_s[-1] - self.times_s[0]) if len(self.times_s) > 1 else 0.0


def find_phase_logs(recording: Recording) -> tuple[PhaseLog, ...]:
    """Every cam of which the log has a phase column with readings in it, by name."""
    found: dict[str, dict[str, Channel]] = {}
    for channel in recording.channels:
        match = _ROLE.fullmatch(channel.role or "")
        if match and not isinstance(channel.data, Levels) and len(readings_of(channel)[0]):
            found.setdefault(match[2], {})[match[1]] = channel
    return tuple(_phase_log(recording, cam, found[cam]) for cam in sorted(found))


def _phase_log(recording: Recording, cam: str, columns: dict[str, Channel]) -> PhaseLog:
    base = next(columns[k] for k in ("actual", "error", "desired") if k in columns)
    times, _ = readings_of(base)
    period = float(np.median(np.diff(times))) if len(times) > 1 else 1.0
    stale = STALE_PERIODS * max(period, 1e-3)
    at = {k: held_at(times, *readings_of(columns[k]), stale) if k in columns else _nothing(times) for k in KINDS}
    desired_t, desired = readings_of(columns["desired"]) if "desired" in columns else (np.empty(0), np.empty(0))
    rpm = _engine(recording, "log:rpm", times)
    return PhaseLog(
        cam=cam,
        columns=tuple((k, columns[k].column, columns[k].unit) for k in KINDS if k in columns),
        times_s=times,
        actual=at["actual"],
        desired=at["desired"],
        error=at["error"],
        desired_times_s=desired_t,
        desired_values=desired,
        rpm=rpm,
        throttle=_engine(recording, "log:throttle", times),
        ect_degc=_engine(recording, "log:ect", times),
        turning=~(rpm < TURNING_RPM),
        period_s=period,
        quantum=quantum_of(at["actual"] if "actual" in columns else at["error"]),
    )


def readings_of(channel: Channel) -> tuple[Floats, Floats]:
    """Times and values of the cells that hold something, in time order, each time once."""
    data = channel.data
    assert not isinstance(data, Levels)
    every = (data.times_s(), data.values()) if isinstance(data, Trace) else (data.times_s, data.values)
    kept = np.isfinite(every[0]) & np.isfinite(every[1])
    times, values = every[0][kept], every[1][kept]
    first = np.append(True, np.diff(times) > 0.0) if len(times) else np.empty(0, np.bool_)
    return times[first], values[first]


def held_at(at_s: Floats, times_s: Floats, values: Floats, stale_s: float) -> Floats:
    """Values at other times: the nearest reading, NaN where none is near.

    >>> held_at(np.array([0.0, 0.4, 0.6, 9.0]), np.array([0.0, 1.0]), np.array([5.0, 7.0]), 1.0)
    array([ 5.,  5.,  7., nan])
    """
    if not len(times_s):
        return _nothing(at_s)
    after = np.clip(np.searchsorted(times_s, at_s), 1, max(len(times_s) - 1, 1))
    if len(times_s) == 1:
        near = np.zeros(len(at_s), np.int64)
    else:
        near = np.where(at_s - times_s[after - 1] <= times_s[after] - at_s, after - 1, after)
    out = values[near].astype(np.float64)
    out[np.abs(times_s[near] - at_s) > stale_s] = np.nan
    return out


def _nothing(times: Floats) -> Floats:
    return np.full(len(times), np.nan)


def _engine(recording: Recording, role: str, times: Floats) -> Floats:
    """An engine value at the cam's times, straight between its own readings."""
    channel = recording.with_role(role)
    if channel is None or isinstance(channel.data, Levels):
        return _nothing(times)
    own, values = readings_of(channel)
    return np.interp(times, own, values) if len(own) else _nothing(times)


def quantum_of(values: Floats) -> float:
    """The step that readings are rounded to, 0 where they are not.

    >>> quantum_of(np.array([0.0, 0.5, 1.0, 0.5, 2.5]))
    0.5
    """
    levels = np.unique(np.round(values[np.isfinite(values)], 6))
    if len(levels) < 2 or len(levels) > 0.5 * np.isfinite(values).sum() + 2:
        return 0.0
    return float(np.diff(levels).min())

"""Steady stretches of a log: where the phaser was told to stay, for long enough to have got there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tightside.records import Bools, Floats, Ints
from tightside.timing.log_phase import PhaseLog

PARKED = 1.0  # wanted angles up to here, as logged, leave the phaser at its stop
STILL = 1.5  # a wanted angle that stays this near holds still
RPM_SHARE, RPM_LEAST = 0.12, 120.0  # engine speed holds still within these
IDLE_SHARE, IDLE_RPM = 1.35, 1100.0  # idle: up to this share of the known idle, or up to this
FEWEST = 3  # readings of a stretch
GAP_PERIODS = 4.0  # a pause in the readings ends a stretch

#: "parked": at its stop; "held": under control, away from it; "unknown": the log does not say
Place = Literal["parked", "held", "unknown"]


@dataclass(frozen=True, slots=True)
class Stretch:
    """Consecutive readings with nothing going on."""

    rows: Ints  # (n,) of the log
    place: Place
    wanted: float  # as logged; NaN where it is not


def find_stretches(log: PhaseLog, usable: Bools, settle_s: float, idle_rpm: float | None = None) -> tuple[Stretch, ...]:
    """Stretches in which the cam should stand still.

    Parameters
    ----------
    log : PhaseLog
    usable : (S,) bool
        Readings that can be believed.
    settle_s : float
        Time that the phaser is given to arrive after each command. [s]
    idle_rpm : float, optional
        From the engine file.
    """
    times, by_wanted = log.times_s, log.has("desired")
    guide = log.desired if by_wanted else log.rpm
    anchor, since = _anchors(guide, times, by_wanted)
    rested = times - since >= settle_s if by_wanted else times - since >= 0.5 * settle_s
    good = usable & log.turning & rested & (np.isfinite(guide) | (not by_wanted))
    rows = np.flatnonzero(good)
    if not len(rows):
        return ()
    breaks = (np.diff(rows) > 1) | (np.diff(times[rows]) > GAP_PERIODS * log.period_s)
    breaks |= _differ(anchor[rows[1:]], anchor[rows[:-1]])
    parts = np.split(rows, np.flatnonzero(breaks) + 1)
    idle = (idle_rpm * IDLE_SHARE) if idle_rpm else IDLE_RPM
    return tuple(_stretch(log, part, by_wanted, idle) for part in parts if len(part) >= FEWEST)


def _differ(a: Floats, b: Floats) -> Bools:
    return np.asarray((a != b) & ~(np.isnan(a) & np.isnan(b)))


def _anchors(guide: Floats, times: Floats, by_wanted: bool) -> tuple[Floats, Floats]:
    """Level about which the guide has stayed up to each reading, and since when."""
    anchor, since = np.empty(len(guide)), np.empty(len(guide))
    level, start = np.nan, times[0] if len(times) else 0.0
    for i, (value, t) in enumerate(zip(guide.tolist(), times.tolist(), strict=True)):
        if value == value:
            room = STILL if by_wanted else max(RPM_LEAST, RPM_SHARE * abs(level))
            crossed = by_wanted and (abs(value) <= PARKED) != (abs(level) <= PARKED)
            if level != level:
                level = value
            elif abs(value - level) > room or crossed:
                level, start = value, t
        anchor[i], since[i] = level, start
    return anchor, since


def _stretch(log: PhaseLog, rows: Ints, by_wanted: bool, idle_rpm: float) -> Stretch:
    if by_wanted:
        wanted = float(np.median(log.desired[rows]))
        return Stretch(rows, "parked" if abs(wanted) <= PARKED else "held", wanted)
    rpm = log.rpm[rows]
    if not np.isfinite(rpm).any():
        return Stretch(rows, "unknown", float("nan"))
    return Stretch(rows, "parked" if np.nanmedian(rpm) <= idle_rpm else "held", float("nan"))

"""Readings of a log that cannot be believed: a value that stands in for a lost signal, frozen, or beyond any cam."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tightside.records import Bools, CamPattern, Floats, Ints, tooth_pitch_deg
from tightside.timing.log_phase import PhaseLog

Trouble = Literal["", "frozen", "out of range", "default value", "dropouts"]

MOST_TEETH_OFF = 4.5  # further off no cam is found that still runs
UNKNOWN_LIMIT_DEG = 150.0  # the same where neither drive nor phaser is known
PLAYED = 5.0  # wanted angle, as logged, moved so far: a live reading must have moved too
LEAST_S, LEAST_ROWS = 1.0, 4  # a run of one and the same value shorter than this is nothing
WHOLE_S, WHOLE_ROWS = 3.0, 15
LOST_SHARE = 0.5  # of its readings gone: the signal is lost, not just interrupted
COARSE = 1.0  # step of the readings from which a phaser that hangs may well show no jitter


@dataclass(frozen=True, slots=True)
class Signal:
    """What of a cam's readings can be used, and what is wrong with the rest."""

    usable: Bools  # (S,)
    trouble: Trouble = ""
    lost: bool = False  # nothing of it can be used
    note: str = ""
    dead: bool = False  # lost for sure: nothing else would look like this


def find_signal(log: PhaseLog, pattern: CamPattern | None, coarse: bool = False) -> Signal:
    """Which readings are live.

    Parameters
    ----------
    coarse : bool
        Whether the tool's other columns show steps of a degree or more.
    """
    x = log.actual if log.has("actual") else log.error
    there = np.isfinite(x) & log.turning
    if there.sum() < LEAST_ROWS:
        return Signal(there, lost=True, note="the log has no readings of this cam while the engine turned")
    frozen = _whole(log, x, there, coarse)
    if frozen is not None:
        return frozen
    far = there & (np.abs(_away(log)) > _limit(pattern))
    if far.sum() > LOST_SHARE * there.sum():
        note = f"most readings lie beyond {_limit(pattern):.0f} degrees, where no cam that still runs can be"
        return Signal(there & ~far, "out of range", True, note, dead=True)
    stands_in = _stand_in(log, x, there)
    usable = there & ~far & ~stands_in
    share = 1.0 - usable.sum() / there.sum()
    if share > LOST_SHARE:
        return Signal(usable, "default value", True, "most readings stand in for a lost signal", dead=True)
    if not share:
        return Signal(usable)
    note = f"{100 * share:.0f} % of its readings were set aside: "
    note += "exactly 0 while told to be elsewhere, a lost signal or a phaser that drops back" if stands_in.any() else ""
    note += "" if stands_in.any() else "no cam that still runs can be there"
    return Signal(usable, "dropouts" if stands_in.any() else "out of range", note=note)


def _away(log: PhaseLog) -> Floats:
    """How far the cam is from where it is wanted, as logged."""
    if log.has("actual") and log.has("desired"):
        return log.actual - log.desired
    return log.error if log.has("error") else log.actual - np.nanmedian(log.actual)


def _limit(pattern: CamPattern | None) -> float:
    if pattern is None or not pattern.stages:
        return UNKNOWN_LIMIT_DEG
    return MOST_TEETH_OFF * tooth_pitch_deg(pattern.stages) + pattern.phaser_authority_deg


def _whole(log: PhaseLog, x: Floats, there: Bools, coarse: bool) -> Signal | None:
    """A reading that never changes, though a live one jitters."""
    values = x[there]
    if np.ptp(values) > 0.0 or len(values) < WHOLE_ROWS or np.ptp(log.times_s[there]) < WHOLE_S:
        return None
    none, value = np.zeros(len(there), np.bool_), f"{values[0]:g}"
    if log.has("desired") and _range(log.desired[there]) >= PLAYED and log.has("actual"):
        if coarse:
            note = f"it reads {value} throughout while it is told to move: no live signal, or a phaser that hangs"
        else:
            note = f"it reads exactly {value} throughout while it is told to move: no live signal (a phaser that hangs "
            note += "would still show some jitter)"
        return Signal(none, "default value" if values[0] == 0.0 else "frozen", True, note, dead=not coarse)
    note = f"it reads exactly {value} throughout: a value that stands in for a lost signal looks the same. "
    return Signal(none, "frozen", True, note + "Rev the engine while it is logged: a live reading moves")


def _range(values: Floats) -> float:
    values = values[np.isfinite(values)]
    return float(np.ptp(values)) if len(values) else 0.0


def _stand_in(log: PhaseLog, x: Floats, there: Bools) -> Bools:
    """Readings of exactly zero, run by run, while the phaser is told to be elsewhere: the usual stand-in."""
    out = np.zeros(len(x), np.bool_)
    if not (log.has("actual") and log.has("desired")) or _range(x[there]) < PLAYED:  # one that hangs is live
        return out
    rows = np.flatnonzero(there & np.isfinite(log.desired))
    for run in _runs(x, rows):
        if x[run[0]] == 0.0 and _long(log, run) and np.median(np.abs(log.desired[run])) > PLAYED:
            out[run] = True
    return out


def _runs(x: Floats, rows: Ints) -> list[Ints]:
    """Runs of consecutive rows with one and the same value."""
    if not len(rows):
        return []
    return np.split(rows, np.flatnonzero(np.diff(x[rows]) != 0.0) + 1)


def _long(log: PhaseLog, run: Ints) -> bool:
    return len(run) >= LEAST_ROWS and float(np.ptp(log.times_s[run])) >= LEAST_S

"""Crank motion and wheels in closed form, for tests that need the truth and no simulator."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tightside.records import Floats, Ints, WheelPattern


def wheel_on_positions(positions: int, *missing: int) -> Floats:
    """Angles of a wheel with evenly spaced positions, from the first pulse after the first gap. [deg]"""
    present = np.setdiff1d(np.arange(positions), np.array(missing))
    return (present - present[0]) * 360.0 / positions


ANGLES = {
    "60-2": wheel_on_positions(60, 58, 59),
    "36-1": wheel_on_positions(36, 35),
    "36-2-2-2": wheel_on_positions(36, 10, 11, 22, 23, 34, 35),
    "12+1": np.sort(np.append(np.arange(12) * 30.0, 10.0)),
    "uneven 4": np.array([0.0, 70.0, 180.0, 250.0]),
    "even 24": np.arange(24) * 15.0,
}
REPEAT_DEG = {"36-2-2-2": 120.0, "uneven 4": 180.0, "even 24": 15.0}


def wheel_named(name: str) -> WheelPattern:
    return WheelPattern(name, ANGLES[name], repeat_deg=REPEAT_DEG.get(name, 360.0))


@dataclass(frozen=True)
class Turning:
    """A crank whose time is a closed form of its angle.

    The slowness swings by ``ripple`` peak to peak, ``per_turn`` times a turn, round that of ``rpm``; ``from_rest``
    degrees at the start are turned with steady acceleration.
    """

    rpm: float = 220.0
    ripple: float = 0.35
    per_turn: float = 2.0
    from_rest_deg: float = 0.0

    def time_s(self, angle_deg: Floats) -> Floats:
        """Time at which the crank passes an angle, counted from where it starts. [s]"""
        swing = np.rad2deg(self.ripple / 2.0 / self.per_turn * np.sin(np.deg2rad(self.per_turn * angle_deg)))
        even = angle_deg + swing  # increasing, since ripple < 2
        speed, start = 6.0 * self.rpm, self.from_rest_deg
        if start == 0.0:
            return even / speed
        acceleration = speed**2 / (2.0 * start)
        slow = np.sqrt(2.0 * np.clip(even, 0.0, start) / acceleration)
        return slow + np.maximum(even - start, 0.0) / speed


def teeth_passed(angles_deg: Floats, turns: float, first_deg: float = 0.0) -> tuple[Ints, Floats]:
    """Absolute tooth numbers and angles that pass the sensor from ``first_deg`` on. [-], [deg]"""
    n = len(angles_deg)
    tooth = np.arange(-n, int((turns + 2) * n))
    angle = 360.0 * (tooth // n) + angles_deg[tooth % n]
    seen = (angle >= first_deg) & (angle < first_deg + 360.0 * turns)
    return tooth[seen], angle[seen]

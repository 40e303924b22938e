"""From a slow log to the verdict on each camshaft, and to how its phaser moves.

The module measures its cams as we do, but it also acts: under control it makes up for an offset of the chain as far as
the phaser can travel, so such an offset shows while the phaser is parked. And it may have learned the offset as its new
zero, so that nothing shows. Both are counted in before a cam is said to be in time. Numbers: common practice, no
source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from tightside.records import (
    CamOffset,
    CamPattern,
    CamState,
    Floats,
    PhaserMotion,
    PhaserState,
    Recording,
    tooth_pitch_deg,
)
from tightside.timing.judge import IN_TIME_DEG, is_erratic, is_sure
from tightside.timing.log_convention import (
    MOVED,
    SURE,
    Convention,
    Reading,
    Said,
    find_conventions,
    readings_of_conventions,
)
from tightside.timing.log_phase import PhaseLog, find_phase_logs
from tightside.timing.log_signal import COARSE, Signal, find_signal
from tightside.timing.log_steady import PARKED, Place, Stretch, find_stretches
from tightside.timing.offset import robust_sd
from tightside.timing.phaser import Following, answer_of, measure_following
from tightside.timing.serial import Level, level_of, pooled_rho, worth_of_spread
from tightside.timing.teeth import BANK_JUMP, BY_COUNT, CAM_JUMP, LATE_SHARE, MeasuredCam, TeethBelief, infer_teeth

REFERENCE = "control module's desired angle"
UNDER_CONTROL_ONLY = "it was logged under control only, which hides an offset: log it parked, at a warm idle, too"
FEWEST_READINGS = 8
FEWEST_S = 1.5
SETTLE_S = (1.2, 6.0)  # time a phaser is given to arrive, at least and at most; else four of its time constants
CONTROL_SD_DEG = 0.7  # what a module leaves standing between wanted and actual
CALIBRATION_SD_DEG = 0.1
HURRY_TAUS, HURRY_SD_DEG = 1.5, 0.6  # where it is never left alone for so long: sooner, and so much less sure
USUAL_TRAVEL_DEG = 50.0  # of a phaser of which nothing is known
UNLIKE_DEG = 2.0  # an error column that differs by more from actual minus desired, whichever way round
ALIKE_DEG = 1.2  # parked and held stretches that differ by less are taken together
KNOWN = 0.9  # probability from which one way to read the log may be shown alone
STUCK_SHARE = 0.35  # of the way; a sound phaser makes all of it
FURTHER_SHARE = 1.15  # of the way: a phaser that goes further than told makes up for something
SLOW_S = 0.5  # time constant of a slow phaser, warm
COLD_DEGC = 40.0
#: chance that an offset would not show: learned away; taken out by a module that steers at the stop too (late only);
#: the same where the log does not say whether the phaser was parked; and under control within its travel
LEARNED, STEERED_AT_STOP, PLACE_UNKNOWN, UNDER_CONTROL = 0.04, 0.05, 0.12, 0.9

#: a phaser away from its stop is that much likelier in a log in which it was not told to move, and less in one in which
#: it was seen to follow, than in a recording that shows neither
HANGS_UNSEEN, HANGS_FOLLOWING = 1.7, 0.2
PAST_STOP = 1.5  # logged degrees past a moved stop from which the phaser must be seen to follow
NEAR_SHARE = 0.3  # of a tooth: further off than that, "no tooth" is not called from a log
TOO_WIDE = 0.5  # of a tooth: an interval so wide names none
NEAR_TOOTH_SHARE = 0.18  # the same for any other number
WHOLE_DEG = 1.3  # the same where a phaser that hangs could be all of it


@dataclass(frozen=True, slots=True, eq=False)
class CamLog:
    """All that was measured of one cam, as logged, before units and sides."""

    log: PhaseLog
    pattern: CamPattern
    signal: Signal
    following: Following | None
    stretches: tuple[Stretch, ...]
    values: Floats  # (S,) actual minus desired, or the error where that is all
    unsettled: float = 0.0  # standard deviation of what of its moves may be in them, as logged

    @property
    def cam(self) -> str:
        """Its name."""
        return self.log.cam

    def pieces(self, *places: Place) -> list[Floats]:
        """Readings of the stretches at some places, stretch by stretch."""
        return [self.values[s.rows] for s in self.stretches if s.place in places]

    def rows(self, *places: Place) -> list[int]:
        """Rows of the log that these are."""
        return [int(r) for s in self.stretches if s.place in places for r in s.rows]


@dataclass(frozen=True, slots=True, eq=False)
class Basis:
    """What the offset rests on."""

    level: Level
    places: tuple[Place, ...]
    systematic: float  # as logged: rounding that does not average out


@dataclass(frozen=True, slots=True)
class LogVerdict:
    """Verdicts, the phasers' motion, and what is to be said of the log as a whole."""

    cams: tuple[CamOffset, ...]
    phasers: tuple[PhaserMotion, ...]


def judge_log(
    recording: Recording,
    patterns: Sequence[CamPattern] = (),
    *,
    said: Said | None = None,
    idle_rpm: float | None = None,
) -> LogVerdict:
    """Verdict on every cam that a slow log has phase columns of.

    Parameters
    ----------
    recording : Recording
        Of kind "log".
    patterns : sequence of CamPattern
        Drives and phasers, from the engine file; their edges are not used.
    said : Said, optional
        What the user said of units and sides.
    idle_rpm : float, optional
        From the engine file. [rpm]
    """
    logs = find_phase_logs(recording)
    known = {p.cam: p for p in patterns}
    if not logs:
        return LogVerdict((), ())
    coarse = max((log.quantum for log in logs), default=0.0) >= COARSE
    cams = [_measured(log, known.get(log.cam), coarse, idle_rpm) for log in logs]
    conventions = find_conventions(logs, known, said or Said())
    readings = readings_of_conventions(conventions)
    scales = {cam: abs(factor) for cam, factor in readings[0].factors.items()}
    cams = [c if find_basis(c, scales[c.cam]) else _in_a_hurry(c, scales[c.cam], idle_rpm) or c for c in cams]
    bases = {c.cam: basis for c in cams if (basis := find_basis(c, scales[c.cam])) is not None}
    beliefs = _beliefs(cams, bases, readings)
    verdicts = [_CamCase(c, bases.get(c.cam), beliefs.get(c.cam), conventions[c.cam], readings) for c in cams]
    return LogVerdict(tuple(v.offset() for v in verdicts), tuple(v.motion() for v in verdicts))


def _measured(log: PhaseLog, pattern: CamPattern | None, coarse: bool, idle_rpm: float | None) -> CamLog:
    signal = find_signal(log, pattern, coarse)
    both = log.has("actual") and log.has("desired")
    values = log.actual - log.desired if both else log.error
    following = measure_following(log, signal.usable) if both and not signal.lost else None
    stop = _moved_stop(log, signal) if following is not None and following.share_ci95[0] < 1.0 - STUCK_SHARE else None
    if stop is not None:
        following = _past_the_stop(log, signal, stop)
    settle = SETTLE_S[0]
    if following is not None and following.share > STUCK_SHARE:
        settle = 4.0 * following.response_s + max(following.lag_s, 0.0) + 2.0 * log.period_s
    settle = float(np.clip(settle, max(SETTLE_S[0], 1.5 * log.period_s), max(SETTLE_S[1], 4.0 * log.period_s)))
    usable = signal.usable & np.isfinite(values)
    stretches = () if signal.lost else find_stretches(log, usable, settle, idle_rpm)
    return CamLog(log, _named(log, pattern), signal, following, stretches, values)


def _in_a_hurry(cam: CamLog, scale: float, idle_rpm: float | None) -> CamLog | None:
    """A cam that was never left alone for long enough, taken sooner after each command, less what was still to come.

    What a phaser that follows as this one does has still to go is known; what is not known of it widens the interval.
    None where that does not help either.
    """
    f = cam.following
    if f is None or not 1.0 - STUCK_SHARE < f.share_ci95[0] < FURTHER_SHARE:
        return None
    values = cam.log.actual - answer_of(cam.log, f)
    settle = max(HURRY_TAUS * f.response_s + max(f.lag_s, 0.0), 1.5 * cam.log.period_s)
    stretches = find_stretches(cam.log, cam.signal.usable & np.isfinite(values), settle, idle_rpm)
    hurried = replace(cam, stretches=stretches, values=values, unsettled=HURRY_SD_DEG / scale)
    return hurried if find_basis(hurried, scale) is not None else None


def _named(log: PhaseLog, pattern: CamPattern | None) -> CamPattern:
    """The cam's pattern; a phaser of usual travel where only the log shows that there is one."""
    found = pattern if pattern is not None else CamPattern(log.cam, np.empty(0), np.empty(0, np.bool_))
    if (found.reference == "engine file" and pattern is not None) or not log.has("desired"):
        return found
    return replace(found, phaser_authority_deg=USUAL_TRAVEL_DEG, phaser_advances=log.cam.endswith("A"))


def _moved_stop(log: PhaseLog, signal: Signal) -> float | None:
    """Where the cam stands while the phaser is parked, as logged, if that is on the phaser's own side. Else None."""
    parked = signal.usable & (np.abs(log.desired) <= PARKED)
    if parked.sum() < FEWEST_READINGS:
        return None
    stop = float(np.median(log.actual[parked]))
    far = log.desired[np.argmax(np.abs(np.nan_to_num(log.desired)))]
    return stop if stop * far > 0.0 and abs(stop) > 2.0 * PARKED else None


def _past_the_stop(log: PhaseLog, signal: Signal, stop: float) -> Following | None:
    """How the phaser follows where it is told to go further than that. None where it never is: then it does not show.

    A chain that slipped to the phaser's own side moves the stop that way, and commands short of it cannot be followed.
    A phaser that hangs there follows none.
    """
    side = float(np.sign(stop))
    if np.nanmax(side * log.desired) < abs(stop) + PAST_STOP:
        return None

    def beyond(wanted: Floats) -> Floats:
        return np.asarray(side * np.maximum(side * wanted, abs(stop)))

    moved = replace(log, desired=beyond(log.desired), desired_values=beyond(log.desired_values))
    return measure_following(moved, signal.usable, PAST_STOP)


# ----------------------------------------------------------------------------------------------- what it rests on


def find_basis(cam: CamLog, scale: float) -> Basis | None:
    """The stretches that show the chain: parked ones, joined by others that agree; else what there is. None if too few.

    Parameters
    ----------
    scale : float
        Crank degrees to a logged one.
    """
    parked, held = level_of(cam.pieces("parked")), level_of(cam.pieces("held"))
    places: tuple[Place, ...]
    if _enough(cam, parked, "parked"):
        assert parked is not None
        apart = abs(held.mean - parked.mean) * scale if held is not None else np.inf
        places = ("parked", "held") if apart <= ALIKE_DEG else ("parked",)
    elif _enough(cam, held, "held"):
        places = ("held",)
    else:
        places = ("unknown",)
    level = level_of(cam.pieces(*places))
    if level is None or not _enough(cam, level, *places):
        return None
    return Basis(level, places, float(np.hypot(_rounding(cam, level, places), cam.unsettled)))


def _enough(cam: CamLog, level: Level | None, *places: Place) -> bool:
    rows = cam.rows(*places)
    return level is not None and len(rows) >= FEWEST_READINGS and len(rows) * cam.log.period_s >= FEWEST_S


def _rounding(cam: CamLog, level: Level, places: tuple[Place, ...]) -> float:
    """Standard deviation of the error that rounding leaves in a mean: less, the more the reading jitters.

    The mean of a rounded normal is off by up to (q / pi) exp(-2 pi^2 s^2 / q^2), the first term of its Fourier series
    (our derivation). The wanted angle is rounded too where it is not at its stop.
    """
    q = cam.log.quantum
    if q <= 0.0:
        return 0.0
    own = q / np.pi / 2**0.5 * np.exp(-2.0 * (np.pi * level.spread / q) ** 2)
    wanted = q / 12**0.5 if "held" in places and cam.log.has("desired") else 0.0
    return float(np.hypot(own, wanted))


# ---------------------------------------------------------------------------------------------------------- teeth


def _beliefs(
    cams: Sequence[CamLog], bases: Mapping[str, Basis], readings: tuple[Reading, ...]
) -> dict[str, TeethBelief]:
    """Posterior over teeth of each steady cam, over every way to read the log."""
    steady = [c for c in cams if c.cam in bases and not _erratic(c, bases[c.cam], readings[0])]
    if not steady:
        return {}
    each = [infer_teeth(tuple(_as_measured(c, bases[c.cam], r) for c in steady)) for r in readings]
    found = {}
    for i, cam in enumerate(steady):
        mixed: dict[int, float] = {}
        for reading, beliefs in zip(readings, each, strict=True):
            for teeth, p in beliefs[i].probability.items():
                mixed[teeth] = mixed.get(teeth, 0.0) + reading.probability * p
        factor = readings[0].factors[cam.cam]
        belief = with_phaser(replace(each[0][i], probability=mixed), cam, factor * bases[cam.cam].level.mean)
        found[cam.cam] = with_hidden(belief, hidden_chances(cam, bases[cam.cam], factor))
    return found


def _as_measured(cam: CamLog, basis: Basis, reading: Reading) -> MeasuredCam:
    factor = reading.factors[cam.cam]
    sd = abs(factor) * basis.level.half_width(basis.systematic) / 1.96
    return MeasuredCam(cam.pattern, factor * basis.level.mean, float(np.hypot(sd, CONTROL_SD_DEG)))


def with_phaser(belief: TeethBelief, cam: CamLog, offset_deg: float) -> TeethBelief:
    """The belief with what is known of the phaser: an offset to its own side may be the phaser's, unless it follows."""
    away = -offset_deg if cam.pattern.phaser_advances else offset_deg
    if not IN_TIME_DEG < away <= cam.pattern.phaser_authority_deg + IN_TIME_DEG or 0 not in belief.probability:
        return belief
    f = cam.following
    follows = f is not None and f.share_ci95[0] > STUCK_SHARE
    p = dict(belief.probability)
    p[0] *= HANGS_FOLLOWING if follows else HANGS_UNSEEN
    total = sum(p.values())
    return replace(belief, probability={k: v / total for k, v in p.items()})


def hidden_chances(cam: CamLog, basis: Basis, factor: float) -> dict[int, float]:
    """Chance that so many teeth would leave the log as it is: a cam that seems to be in time.

    Under control the phaser takes an offset out as far as it can travel, from each angle that was wanted of it.
    """
    pattern = cam.pattern
    if not pattern.stages:
        return {}
    pitch, travel = tooth_pitch_deg(pattern.stages), pattern.phaser_authority_deg
    out = {}
    for count in BY_COUNT:
        for teeth in (count, -count):
            away = teeth * pitch * (1.0 if pattern.phaser_advances else -1.0)  # that the phaser must add to its angle
            out[teeth] = _hidden(cam, basis, abs(factor), (away, travel))
    return out


def _hidden(cam: CamLog, basis: Basis, scale: float, reach: tuple[float, float]) -> float:
    away, travel = reach
    if basis.places == ("unknown",):
        return PLACE_UNKNOWN + LEARNED
    if "parked" in basis.places:
        return LEARNED + (STEERED_AT_STOP if 0.0 < away <= travel else 0.0)
    wanted = [abs(s.wanted) * scale for s in cam.stretches if s.place == "held"]
    if travel <= 0.0:
        return LEARNED
    if not np.isfinite(wanted).all():  # off idle, and what was wanted is not in the log
        return UNDER_CONTROL
    return UNDER_CONTROL if all(0.0 <= w + away <= travel for w in wanted) else LEARNED


def with_hidden(belief: TeethBelief, hidden: Mapping[int, float]) -> TeethBelief:
    """The belief with offsets counted in that would not have shown. Only where "in time" leads: else something "
    "shows."""
    if not hidden or max(belief.probability, key=lambda k: belief.probability[k]) != 0:
        return belief
    jump = BANK_JUMP + CAM_JUMP - BANK_JUMP * CAM_JUMP
    p = dict(belief.probability)
    for teeth, chance in hidden.items():
        side = LATE_SHARE if teeth > 0 else 1.0 - LATE_SHARE
        p[teeth] = p.get(teeth, 0.0) + chance * jump * BY_COUNT[abs(teeth)] * side / (1.0 - jump) * p[0]
    total = sum(p.values())
    return replace(belief, probability={k: v / total for k, v in sorted(p.items())})


def _erratic(cam: CamLog, basis: Basis, reading: Reading) -> bool:
    return is_erratic(_left(cam, basis.places) * reading.factors[cam.cam])


def _left(cam: CamLog, places: tuple[Place, ...]) -> Floats:
    """Readings less the middle of their stretch."""
    pieces = cam.pieces(*places)
    return np.concatenate([p - np.median(p) for p in pieces]) if pieces else np.empty(0)


# -------------------------------------------------------------------------------------------------------- the case


@dataclass(frozen=True, slots=True, eq=False)
class _CamCase:
    """One cam with all that is known of it, ready to be put into records."""

    cam: CamLog
    basis: Basis | None
    belief: TeethBelief | None
    convention: Convention
    readings: tuple[Reading, ...]

    @property
    def factor(self) -> float:
        """From logged values to crank degrees late, at its likeliest."""
        return self.readings[0].factors[self.cam.cam]

    def chance_of(self, factor: float) -> float:
        """Probability of one factor for this cam."""
        return sum(r.probability for r in self.readings if r.factors[self.cam.cam] == factor)

    @property
    def unit_known(self) -> bool:
        """Whether crank and cam degrees are told apart."""
        return self.chance_of(self.factor) + self.chance_of(-self.factor) >= KNOWN

    @property
    def side_known(self) -> bool:
        """Whether early and late are told apart."""
        same = sum(r.probability for r in self.readings if r.factors[self.cam.cam] * self.factor > 0.0)
        return same >= KNOWN

    @property
    def read(self) -> bool:
        """Whether one way to read the log may be shown alone."""
        return self.chance_of(self.factor) >= KNOWN

    # ------------------------------------------------------------------------------------------------------ offset

    def interval(self) -> tuple[float, tuple[float, float]] | None:
        """Offset and its 95 % interval, crank degrees, positive late; None where units or sides leave it open."""
        if self.basis is None:
            return None
        mean = self.factor * self.basis.level.mean
        systematic = float(np.hypot(abs(self.factor) * self.basis.systematic, CALIBRATION_SD_DEG))
        unit = abs(self.factor)
        scaled = replace(self.basis.level, sd=self.basis.level.sd * unit)
        half = scaled.half_width(systematic)
        if self.read:
            return mean, (mean - half, mean + half)
        wide = max(abs(r.factors[self.cam.cam] * self.basis.level.mean) for r in self.readings) + 2.0 * half
        return (mean, (-wide, wide)) if wide <= IN_TIME_DEG else None

    def offset(self) -> CamOffset:
        """The verdict."""
        found = self.interval()
        state, call, why = self.state(found)
        rows = np.array(self.cam.rows(*self.basis.places) if self.basis else [], dtype=np.int64)
        shown = self.factor * self.cam.values[rows] if found is not None else np.empty(0)
        belief = self.belief
        return CamOffset(
            cam=self.cam.cam,
            column=self.cam.log.main,
            state=state,
            reference=REFERENCE,
            cycles=len(rows),
            offset_deg=found[0] if found else None,
            ci95_deg=found[1] if found else None,
            scatter_deg=self.scatter_deg() if found else None,
            tooth_pitch_deg=belief.pitch_deg if belief else None,
            teeth=tuple(sorted((k, p) for k, p in belief.probability.items() if p >= 1e-4 or abs(k) <= 1))
            if belief
            else (),
            teeth_call=call,
            teeth_stage=belief.stage if belief and belief.pitch_deg else None,
            cycle_times_s=self.cam.log.times_s[rows] if len(shown) else np.empty(0),
            cycle_offset_deg=shown,
            cycle_rpm=self.cam.log.rpm[rows] if len(shown) else np.empty(0),
            notes=tuple(dict.fromkeys((*why, *self.notes(state)))),
            evidence="log",
            ways=self.ways() if found is None and belief is not None else (),
        )

    def ways(self) -> tuple[tuple[float, float], ...]:
        """Each offset that the log allows, with its probability."""
        assert self.basis is not None
        factors = dict.fromkeys(r.factors[self.cam.cam] for r in self.readings)
        return tuple((factor * self.basis.level.mean, self.chance_of(factor)) for factor in factors)

    def scatter_deg(self) -> float:
        """Robust standard deviation about the stretches' middles."""
        assert self.basis is not None
        robust = robust_sd(_left(self.cam, self.basis.places))
        if robust == 0.0 and self.cam.log.quantum > 0.0:  # most readings round to one value
            robust = max(self.basis.level.spread**2 - self.cam.log.quantum**2 / 12.0, 0.0) ** 0.5
        return float(abs(self.factor) * robust)

    def state(self, found: tuple[float, tuple[float, float]] | None) -> tuple[CamState, int | None, tuple[str, ...]]:
        """State, teeth called, and why."""
        if self.cam.signal.lost:
            return ("no signal" if self.cam.signal.dead else "not enough data"), None, (self.cam.signal.note,)
        if self.basis is None:
            return "not enough data", None, (self.why_nothing(),)
        if self.unit_known and _erratic(self.cam, self.basis, self.readings[0]):
            return "erratic", None, ()
        if found is None:
            return "not enough data", None, (self.both_ways(),)
        if self.hangs_within_reach(found[0]):
            return self.hanging(found[0])
        return self.steady(*found)

    def why_nothing(self) -> str:
        """Why there is no offset to speak of."""
        log = self.cam.log
        if not log.has("error") and not (log.has("actual") and log.has("desired")):
            return "only one of actual and desired was logged, so nothing can be compared: log both, or the error"
        return (
            f"too few readings with the phaser at rest: log {FEWEST_S:g} s or more at a steady idle, and some of "
            "moving it"
        )

    def both_ways(self) -> str:
        """What the offset would be, read each way."""
        assert self.basis is not None
        factors = {f for r in self.readings if self.chance_of(f := r.factors[self.cam.cam]) >= 1.0 - MOVED + 0.02}
        ways = sorted({round(f * self.basis.level.mean, 1) for f in factors})
        told = ", or ".join(f"{abs(w):.1f} crank degrees {'late' if w > 0 else 'early'}" for w in ways)
        asked = [] if self.unit_known else ["--phase-unit"]
        asked += [] if self.side_known else ["--phase-sign"]
        open_ = f"read as logged this is {told}: which of them the log does not say, so no call is made"
        return f"{open_}; give {' and '.join(asked)}"

    @property
    def hangs(self) -> bool:
        """Whether the phaser hardly moves when told to."""
        f = self.cam.following
        return f is not None and f.share_ci95[1] < STUCK_SHARE

    def hangs_within_reach(self, offset_deg: float) -> bool:
        """Whether a phaser that hangs can be all of the offset."""
        reach = self.cam.pattern.phaser_authority_deg
        away = -offset_deg if self.cam.pattern.phaser_advances else offset_deg
        return self.hangs and abs(offset_deg) > IN_TIME_DEG and (reach <= 0.0 or 0.0 < away <= reach + IN_TIME_DEG)

    def hanging(self, offset_deg: float) -> tuple[CamState, int | None, tuple[str, ...]]:
        """The state of a cam whose phaser hangs away from its stop."""
        side = "late" if offset_deg > 0 else "early"
        note = f"the phaser does not move when told to, and hangs {abs(offset_deg):.1f} degrees {side}; "
        return "off, not by a whole tooth", None, (note + "where the chain sits behind it does not show",)

    def steady(self, mean: float, interval: tuple[float, float]) -> tuple[CamState, int | None, tuple[str, ...]]:
        """The state of a cam that holds still."""
        near = abs(mean) <= IN_TIME_DEG or interval[0] * interval[1] <= 0.0
        belief = self.belief
        if belief is None or belief.pitch_deg is None:
            return ("in time" if near else "off, not by a whole tooth"), None, ("the drive's sprockets are not known",)
        if interval[1] - interval[0] > TOO_WIDE * belief.pitch_deg:
            return (
                "not enough data",
                None,
                ("the offset is too unsure to name a tooth: log it for longer, with more rest",),
            )
        call = max(belief.probability, key=lambda k: belief.probability[k])
        if is_sure(belief, call) and not self.too_far(call * belief.pitch_deg, mean, belief.pitch_deg):
            if call != 0:
                return "slipped", call, ()
            if self.only_held and (not near or self.may_hide_a_tooth):
                return "not enough data", None, (UNDER_CONTROL_ONLY,)
            alike = ("all cams are off alike: the crank reference is off, not the chain",)
            return ("in time" if near else "off, not by a whole tooth"), 0, alike if belief.reference_lost > 0.5 else ()
        if near and self.only_held:
            return "not enough data", None, (UNDER_CONTROL_ONLY,)
        if near and call == 0:
            return "in time", None, ()
        whole = belief.pitch_deg * round(mean / belief.pitch_deg)
        if whole and abs(mean - whole) < 0.2 * belief.pitch_deg:
            return "not enough data", None, (self.why_open(),)
        return "off, not by a whole tooth", None, ()

    def too_far(self, whole_deg: float, mean: float, pitch_deg: float) -> bool:
        """Whether an offset is too far from a whole number of teeth for a log to name it.

        A phaser that was not seen to move may hang anywhere in its travel: there only what is near a tooth counts.
        """
        away = -mean if self.cam.pattern.phaser_advances else mean
        may_hang = self.cam.following is None and IN_TIME_DEG < away <= self.cam.pattern.phaser_authority_deg
        share = NEAR_SHARE if whole_deg == 0.0 else NEAR_TOOTH_SHARE
        return abs(mean - whole_deg) > (WHOLE_DEG if may_hang else share * pitch_deg)

    @property
    def only_held(self) -> bool:
        """Whether the phaser was never seen at its stop."""
        return self.basis is not None and self.basis.places == ("held",)

    @property
    def may_hide_a_tooth(self) -> bool:
        """Whether a slip by one tooth would as likely as not leave the log as it is."""
        hidden = hidden_chances(self.cam, self.basis, self.factor) if self.basis is not None else {}
        return any(abs(teeth) == 1 and chance >= 0.5 for teeth, chance in hidden.items())

    def why_open(self) -> str:
        """Why about a whole tooth is not called."""
        if not self.read or self.chance_of(self.factor) < MOVED:
            return "off by about a whole tooth, if the log is read right: give --phase-unit and --phase-sign"
        return "off by about a whole tooth, but a phaser not parked, or a crank reference that is off, allows another"

    def notes(self, state: CamState) -> tuple[str, ...]:
        """What has to be said beside the verdict."""
        said = []
        if not self.cam.signal.lost and self.cam.signal.note:
            said.append(self.cam.signal.note)
        if 1.0 - SURE < self.convention.crank < SURE:
            said.append(f"unit: {self.convention.unit_why}")
        if 1.0 - MOVED < self.convention.early < MOVED:
            said.append(f"side: {self.convention.side_why}")
        if self.error_contradicts:
            said.append("contradicted: the error column does not fit actual and desired, which are gone by")
        if self.made_up_for:
            said.append(
                "the offset shows while the phaser is parked and goes when it is steered: control makes up for it"
            )
        if state == "in time":
            said.append(
                "a module that has learned its zero again after a slip shows none: ask when it was last relearned"
            )
        return tuple(said)

    @property
    def error_contradicts(self) -> bool:
        """Whether a logged error is another than that of actual and desired, in any unit and whichever way round."""
        log, rows = self.cam.log, self.cam.rows("parked", "held", "unknown")
        if len(log.columns) < 3 or not rows:
            return False
        error, own = log.error[rows], self.cam.values[rows]
        apart = [np.nanmedian(np.abs(error - factor * own)) for factor in (1, -1, 2, -2, 0.5, -0.5)]
        return bool(min(apart) > UNLIKE_DEG)

    @property
    def made_up_for(self) -> bool:
        """Whether an offset at the stop is gone under control."""
        parked, held = level_of(self.cam.pieces("parked")), level_of(self.cam.pieces("held"))
        f = self.cam.following
        if parked is None or held is None or f is None or self.hangs or not self.unit_known:
            return False
        unit = abs(self.factor)
        return unit * abs(parked.mean) > 2 * IN_TIME_DEG and abs(held.mean) < 0.5 * abs(parked.mean)

    # ------------------------------------------------------------------------------------------------------ motion

    def motion(self) -> PhaserMotion:
        """How the phaser moves."""
        log, f = self.cam.log, self.cam.following
        found = self.interval() if not self.cam.signal.lost else None
        answers = f is not None and not self.hangs
        wander = self.wander()
        return PhaserMotion(
            cam=self.cam.cam,
            columns=tuple(heading for _, heading, _ in log.columns),
            evidence=_evidence(log),
            state=self.motion_state(found),
            duration_s=log.duration_s,
            steps=f.moves if f else 0,
            response_s=f.response_s if f and answers else None,
            response_ci95_s=f.response_ci95_s if f and answers else None,
            lag_s=f.lag_s if f and answers else None,
            lag_ci95_s=f.lag_ci95_s if f and answers else None,
            follows=f.share if f else None,
            follows_ci95=f.share_ci95 if f else None,
            steady_error_deg=found[0] if found else None,
            steady_error_ci95_deg=found[1] if found else None,
            wander_deg=wander[0] if wander else None,
            wander_ci95_deg=wander[1] if wander else None,
            steady_s=len(self.cam.rows("parked", "held", "unknown")) * log.period_s,
            effective_count=self.basis.level.worth if self.basis else 0.0,
            parked_share=_parked_share(log),
            unit=self.convention.unit,
            sign=_sign(self.convention),
            signal=self.cam.signal.trouble,
            learned_offset=found is not None and abs(found[0]) <= IN_TIME_DEG,
            notes=self.motion_notes(),
        )

    def wander(self) -> tuple[float, tuple[float, float]] | None:
        """Standard deviation within stretches, the tool's rounding taken out, and its interval. Crank degrees."""
        if self.basis is None or not self.unit_known:
            return None
        level, unit = self.basis.level, abs(self.factor)
        sd = unit * max(level.spread**2 - self.cam.log.quantum**2 / 12.0, 0.0) ** 0.5
        pieces = self.cam.pieces(*self.basis.places)
        worth = worth_of_spread(level.count, pooled_rho(pieces))
        swing = float(np.exp(1.96 / (2.0 * max(worth - len(pieces), 1.0)) ** 0.5))
        grain = unit * self.cam.log.quantum / 12**0.5
        return sd, (max(sd / swing - grain, 0.0), sd * swing + grain)

    def motion_state(self, found: tuple[float, tuple[float, float]] | None) -> PhaserState:
        """The plainest reading of the numbers."""
        if self.cam.signal.lost:
            return "lost signal" if self.cam.signal.dead else "cannot tell"
        if self.hangs:
            return "stuck"
        if self.basis is not None and self.unit_known and _erratic(self.cam, self.basis, self.readings[0]):
            return "wandering"
        f = self.cam.following
        if f is not None and f.response_ci95_s[0] > SLOW_S:
            return "slow"
        if found is not None and (found[1][0] > IN_TIME_DEG or found[1][1] < -IN_TIME_DEG):
            return "offset"
        follows = f is not None and 1.0 - STUCK_SHARE < f.share_ci95[0] < FURTHER_SHARE
        return "follows" if follows else "cannot tell"

    def motion_notes(self) -> tuple[str, ...]:
        """What the numbers need beside them."""
        f, log = self.cam.following, self.cam.log
        said = [self.cam.signal.note] if self.cam.signal.note else []
        if f is None and not self.cam.signal.lost:
            said.append(
                "the phaser was not told to move, past where it stands at rest, by enough to see how it follows"
            )
        warm = log.ect_degc[np.isfinite(log.ect_degc)]
        if f is not None and len(warm) and np.median(warm) < COLD_DEGC:
            said.append("cold oil makes every phaser slow: log it again warm")
        if f is not None and self.made_up_for:
            said.append("it moves further than told when it leaves its stop: control takes out an offset of the chain")
        return tuple(said)


def _evidence(log: PhaseLog) -> Literal["actual and desired", "error only", "actual only", "desired only"]:
    if log.has("actual") and log.has("desired"):
        return "actual and desired"
    return "error only" if log.has("error") else "actual only" if log.has("actual") else "desired only"


def _sign(convention: Convention) -> Literal["advance positive", "retard positive", "unknown"]:
    words: dict[str, Literal["advance positive", "retard positive", "unknown"]]
    words = {"early": "advance positive", "late": "retard positive"}
    return words.get(convention.positive, "unknown")


def _parked_share(log: PhaseLog) -> float | None:
    wanted = log.desired[log.turning & np.isfinite(log.desired)]
    return float(np.mean(np.abs(wanted) <= PARKED)) if len(wanted) else None

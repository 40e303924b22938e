"""What a logged cam phase means: cam or crank degrees, and whether a positive number is early or late.

Tools differ, and most do not say. What can be told from headings, from how far the phaser travels and to which side it
leaves its stop, is told; what cannot stays open as a probability, and whatever hangs on it is then not called. All
probabilities are common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np

from tightside.records import CamPattern, Floats
from tightside.timing.log_phase import PhaseLog

Unit = Literal["crank", "cam"]
Side = Literal["early", "late"]

SURE = 0.985  # from here on a convention counts as known
SAID = 0.99  # the heading says so
TRAVEL = 0.99  # it travels further than the phaser could in the other unit
MOVED = 0.97  # it leaves its stop to the side that the engine file says
MOVED_BY_LETTER = 0.88  # the same where only the letter says which side that is
OWN_CRANK = 0.97  # a column headed by our role and no unit: crank degrees, as all angles here
OWN_LATE = 0.95  # an error headed by our role: actual minus desired, positive late, as all offsets here
USUAL_ADVANCE = 0.75  # actual and desired of which nothing is known: most tools count advance up
LAG_ODDS = 10.0  # an error that swings to one side whenever the engine picks up
PLAYED_DEG = 4.0  # desired must move so far to show a side
SAME_LEVEL, SAME_SHARE = 0.8, 0.3  # logged degrees, and share of its swings, within which an error rests at one place
ABSOLUTE_DEG = 75.0  # no phaser travels so far: such angles have another zero
SHORT_ODDS = 0.35  # for crank degrees, where the phaser plays and never goes past half of its travel in them
SPARE_DEG = 2.0  # allowance on a phaser's travel

_CRANK = re.compile(r"crank|crk|\bkw\b|deg\s*ca\b|°\s*ca\b|\bca\b|°\s*kw", re.IGNORECASE)
_CAM = re.compile(r"cam|cms|\bnw\b|°\s*nw", re.IGNORECASE)
_EARLY = re.compile(r"adv(?:ance[d]?)?(?![a-z])|early", re.IGNORECASE)
_LATE = re.compile(r"ret(?:ard(?:ed)?)?(?![a-z])|late(?![a-z])", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Said:
    """What the user said of the logged phase; None where nothing. ``positive``: what a positive number means."""

    unit: Unit | None = None
    positive: Side | None = None


@dataclass(frozen=True, slots=True)
class Convention:
    """What one cam's columns mean, as probabilities, and why."""

    crank: float  # that they are crank degrees
    early: float  # that a positive number is early: of actual minus desired, or of the error where that is all
    unit_why: str
    side_why: str

    @property
    def unit(self) -> Literal["crank", "cam", "unknown"]:
        """The unit where it is known or as good as."""
        return "crank" if self.crank >= OWN_CRANK else "cam" if self.crank <= 1 - OWN_CRANK else "unknown"

    @property
    def positive(self) -> Literal["early", "late", "unknown"]:
        """The side of a positive number where it is known or as good as."""
        return "early" if self.early >= MOVED_BY_LETTER else "late" if self.early <= 1 - MOVED_BY_LETTER else "unknown"


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read all cams: factor of each from logged values to crank degrees late, and how probable it is."""

    factors: Mapping[str, float]
    probability: float


def find_conventions(logs: Sequence[PhaseLog], patterns: Mapping[str, CamPattern], said: Said) -> dict[str, Convention]:
    """What the columns of each cam mean. One unit for all cams of a log; one side for all cams of a letter."""
    crank, unit_why = _unit(logs, patterns, said)
    found = {}
    for letter in sorted({log.cam[-1] for log in logs}):
        mine = [log for log in logs if log.cam[-1] == letter]
        early, side_why = _side(mine, patterns, said)
        found.update({log.cam: Convention(crank, early, unit_why, side_why) for log in mine})
    return {log.cam: found[log.cam] for log in logs}


def readings_of_conventions(conventions: Mapping[str, Convention]) -> tuple[Reading, ...]:
    """Every way to read the log that is not all but ruled out, the likeliest first."""
    letters = {cam[-1]: c.early for cam, c in conventions.items()}
    crank = next(iter(conventions.values())).crank
    out = []
    for is_crank, *early in product((True, False), *((True, False) for _ in letters)):
        p = crank if is_crank else 1.0 - crank
        for is_early, chance in zip(early, letters.values(), strict=True):
            p *= chance if is_early else 1.0 - chance
        sides = dict(zip(letters, early, strict=True))
        scale = 1.0 if is_crank else 2.0
        out.append(Reading({cam: -scale if sides[cam[-1]] else scale for cam in conventions}, p))
    kept = sorted((r for r in out if r.probability >= 1.0 - SURE), key=lambda r: -r.probability)
    total = sum(r.probability for r in kept)
    return tuple(Reading(r.factors, r.probability / total) for r in kept)


# ------------------------------------------------------------------------------------------------------------ unit


def _unit(logs: Sequence[PhaseLog], patterns: Mapping[str, CamPattern], said: Said) -> tuple[float, str]:
    if said.unit is not None:
        return (1.0 if said.unit == "crank" else 0.0), "said by hand"
    named = {unit for log in logs for _, heading, unit_text in log.columns if (unit := _named_unit(heading, unit_text))}
    if len(named) == 1:
        word = named.pop()
        return (SAID if word == "crank" else 1.0 - SAID), f"the heading says {word} degrees"
    if any(_travels_too_far(log, patterns.get(log.cam)) for log in logs):
        return TRAVEL, "it travels further than the phaser could if these were cam degrees"
    short = SHORT_ODDS if any(_plays_short(log, patterns.get(log.cam)) for log in logs) else 1.0
    if all(_is_role(heading) for log in logs for _, heading, _ in log.columns):
        return _at_odds(OWN_CRANK, short), "headed by its role: taken as crank degrees (--phase-unit cam if not)"
    return _at_odds(0.5, short), "the log does not say: give --phase-unit crank or cam"


def _at_odds(p: float, odds: float) -> float:
    """A probability after evidence of so many to one."""
    return p * odds / (p * odds + 1.0 - p)


def _named_unit(heading: str, unit: str) -> Unit | None:
    """The unit that a heading's bracket or a unit names.

    >>> _named_unit("VVT B1 [deg crank]", ""), _named_unit("Cam 1 angle (°CA)", "deg"), _named_unit("cam phase", "deg")
    ('crank', 'crank', None)
    """
    inside = " ".join((*re.findall(r"[\[({<]([^\])}>]*)[\])}>]", heading), unit))
    if re.search(r"_cam_deg\b", heading) or (_CAM.search(inside) and not _CRANK.search(inside)):
        return "cam"
    return "crank" if _CRANK.search(inside) or re.search(r"_crank_deg\b", heading) else None


def _is_role(heading: str) -> bool:
    return heading.strip().startswith("log:cam_phase_")


def _travels_too_far(log: PhaseLog, pattern: CamPattern | None) -> bool:
    """Whether what is wanted of the phaser is more than half of its travel, as it would be in no cam degrees."""
    return pattern is not None and _travel(log) > 0.5 * pattern.phaser_authority_deg + SPARE_DEG > SPARE_DEG


def _plays_short(log: PhaseLog, pattern: CamPattern | None) -> bool:
    """Whether the phaser is told to move, but never past half of its travel, if these are crank degrees."""
    half = 0.5 * pattern.phaser_authority_deg if pattern is not None else 0.0
    return log.has("desired") and PLAYED_DEG < _travel(log) <= half + SPARE_DEG


def _travel(log: PhaseLog) -> float:
    """From end to end of what is wanted, or else of what is read."""
    values = log.desired if log.has("desired") else log.actual if log.has("actual") else log.error
    values = values[np.isfinite(values) & log.turning]
    return float(np.ptp(np.percentile(values, [1, 99]))) if len(values) >= 5 else 0.0


# ------------------------------------------------------------------------------------------------------------ side


def _side(logs: Sequence[PhaseLog], patterns: Mapping[str, CamPattern], said: Said) -> tuple[float, str]:
    """Probability that a positive number is early, for all cams of one letter."""
    if said.positive is not None:
        return (1.0 if said.positive == "early" else 0.0), "said by hand"
    named = {side for log in logs for kind, heading, _ in log.columns if (side := _named_side(heading)) and kind}
    if len(named) == 1:
        side = named.pop()
        return (SAID if side == "early" else 1.0 - SAID), f"the heading says that positive is {side}"
    with_desired = [log for log in logs if log.has("desired") and log.has("actual")]
    moved = [p for log in with_desired if (p := _side_it_leaves_to(log, patterns.get(log.cam))) is not None]
    if moved and (max(moved) < 0.5 or min(moved) > 0.5):
        best = max(moved, key=lambda p: abs(p - 0.5))
        return best, "it leaves its stop to the side of " + ("positive" if best > 0.5 else "negative") + " numbers"
    if with_desired:
        return _side_unmoved(with_desired)
    return _side_of_error(logs, patterns)


def _named_side(heading: str) -> Side | None:
    early, late = bool(_EARLY.search(heading)), bool(_LATE.search(heading))
    return None if early == late else "early" if early else "late"


def _side_it_leaves_to(log: PhaseLog, pattern: CamPattern | None) -> float | None:
    """Probability that positive is early, from where the module sends the phaser; None where it hardly does."""
    wanted = log.desired[np.isfinite(log.desired) & log.turning]
    if len(wanted) < 5:
        return None
    low, high = np.percentile(wanted, [1, 99])
    far, near = (high, low) if abs(high) >= abs(low) else (low, high)
    if abs(far) < PLAYED_DEG or abs(far) > ABSOLUTE_DEG or abs(near) > 0.8 * abs(far) or near * far < -0.15 * far**2:
        return None
    known = pattern is not None and pattern.phaser_authority_deg > 0.0
    advances = pattern.phaser_advances if known and pattern is not None else log.cam.endswith("A")
    sure = MOVED if known else MOVED_BY_LETTER
    return sure if (far > 0.0) == advances else 1.0 - sure


def _side_unmoved(logs: Sequence[PhaseLog]) -> tuple[float, str]:
    if any(np.nanmax(np.abs(log.desired), initial=0.0) > ABSOLUTE_DEG for log in logs if len(log.desired)):
        return 0.5, "its angles have a zero of their own: give --phase-sign"
    return USUAL_ADVANCE, "the phaser hardly moves, so its side does not show: give --phase-sign, or log it being moved"


def _side_of_error(logs: Sequence[PhaseLog], patterns: Mapping[str, CamPattern]) -> tuple[float, str]:
    """An error alone: our own convention where it is headed by our role, and what its swings show."""
    own = all(_is_role(heading) for log in logs for _, heading, _ in log.columns)
    early = 1.0 - OWN_LATE if own else 0.5
    why = "headed by its role: taken as positive late (--phase-sign early if not)" if own else "give --phase-sign"
    votes = [v for log in logs if (v := _lags_to(log, patterns.get(log.cam))) is not None]
    if votes and abs(sum(votes)) == len(votes):
        odds = LAG_ODDS if votes[0] > 0 else 1.0 / LAG_ODDS
        side = "positive" if votes[0] < 0 else "negative"
        return _at_odds(
            early, odds
        ), f"{why}; it swings to the {side} when the engine picks up, as a cam does that lags"
    return early, why


def _lags_to(log: PhaseLog, pattern: CamPattern | None) -> int | None:
    """+1 if the error swings as if positive were early, -1 as if late, None where that does not show.

    A phaser that leaves its stop, as it does when the engine picks up, lags for a moment: late if it advances. When it
    goes back it is early for a moment.
    """
    pedal = np.abs(log.desired) if log.has("desired") else log.throttle
    pedal = pedal if np.isfinite(pedal).any() else log.rpm
    kept = np.isfinite(log.error) & np.isfinite(pedal) & log.turning
    if pattern is None or pattern.phaser_authority_deg <= 0.0 or kept.sum() < 30:
        return None
    swing = _quick(log.error[kept], log.times_s[kept])
    push = np.gradient(_smooth(pedal[kept], log.times_s[kept], 0.5), log.times_s[kept])
    size = float(np.sqrt((swing @ swing) * (push @ push)))
    if size <= 0.0 or _level_follows(log.error[kept], pedal[kept], push, swing):
        return None
    r = float(swing @ push) / size
    worth = kept.sum() / (1.0 + 2.0 / max(log.period_s, 1e-3))
    if abs(r) < 0.3 or abs(r) * worth**0.5 < 3.0:
        return None
    late_is_positive = (r > 0.0) == pattern.phaser_advances
    return -1 if late_is_positive else 1


def _level_follows(error: Floats, pedal: Floats, push: Floats, swing: Floats) -> bool:
    """Whether the error rests elsewhere under load than at idle: then its swings are no lag.

    An offset that control takes out away from the stop goes when the engine picks up, to the other side than a lag.
    """
    calm = np.abs(push) <= np.percentile(np.abs(push), 50)
    low, high = np.percentile(pedal[calm], [33, 67])
    idle, load = error[calm & (pedal <= low)], error[calm & (pedal >= high)]
    allowed = max(SAME_LEVEL, SAME_SHARE * float(np.percentile(np.abs(swing), 95)))
    return bool(not len(idle) or not len(load) or abs(np.median(idle) - np.median(load)) > allowed)


def _quick(x: Floats, times: Floats) -> Floats:
    """What is left after a level that follows within some seconds."""
    return x - _smooth(x, times, 6.0)


def _smooth(x: Floats, times: Floats, over_s: float) -> Floats:
    """Mean over a window of time about each reading."""
    sums = np.concatenate(([0.0], np.cumsum(x)))
    first = np.searchsorted(times, times - over_s / 2)
    last = np.searchsorted(times, times + over_s / 2, side="right")
    return np.asarray((sums[last] - sums[first]) / (last - first))

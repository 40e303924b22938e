"""Two banks with the same cam wheel, compared with one another where nothing else is known of the engine.

The crank wheel shows how far one bank's edges come after the other's. How far they should, no recording says: that
depends on the bank angle, on which cylinders fire where, and on how the sensors are mounted. Banks of the usual V and
flat engines stand a multiple of 60 or 90 crank degrees apart, so what is beyond the nearest such offset can be looked
at. That remainder is a property of the pair: which of the two is off, or whether both are off alike, it cannot say.

Source: our derivation; ``tests/test_banks.py`` shows it on simulated truth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from tightside.records import (
    OTHER_BANK,
    CamEdges,
    CamOffset,
    CamPattern,
    CrankClock,
    CycleOffsets,
    DriveStage,
    Floats,
    tooth_pitch_deg,
)
from tightside.timing.judge import is_erratic, is_moving
from tightside.timing.learn import learn_patterns
from tightside.timing.offset import measure_cams, robust_sd, summarise
from tightside.timing.teeth import BY_COUNT, MOST_TEETH

USUAL_BANKS_DEG = tuple(sorted({*range(0, 720, 60), *range(0, 720, 90)}))  # common practice, no source
SAME_WHEEL_DEG = 4.0  # two wheels are of one kind if each edge stands this near after turning one (common practice)
AGREE_DEG = 3.0
MOUNT_SD_DEG = 1.3  # two cam wheels and sensors as mounted, against one another (common practice, no source)
SLIPPED = 0.28  # chance that one of two banks has slipped, of engines that come with such a complaint
NO_TOOTH_DENSITY = 0.0005  # of bank offsets that are none of the usual ones, per degree (common practice, no source)
FEWEST_CYCLES = 2


@dataclass(frozen=True, slots=True)
class BankPair:
    """How two cams with the same wheel stand to each other."""

    cam: str
    other: str
    turned_deg: float  # how far the first's edges come after the other's, in all: 0..720
    apart_deg: float  # what of that is beyond the nearest usual bank offset
    usual_deg: float  # that usual offset
    certain: bool  # the wheel looks alike at no other turn


def compare_banks(cams: tuple[CamEdges, ...], repeat_deg: float) -> tuple[BankPair, ...]:
    """Every two cams on two banks that carry the same wheel.

    Parameters
    ----------
    cams : on one clock, before any reference. Named ones are paired where bank differs and letter does not.
    repeat_deg : the crank wheel's smallest turn onto itself; does not matter between two cams of one clock
    """
    patterns = {p.cam: p for p in learn_patterns(cams, (), "")}
    found = []
    for first, second in combinations([c.cam for c in cams if c.cam in patterns], 2):
        if _on_two_banks(first, second):
            pair = _pair(patterns[first], patterns[second])
            if pair is not None:
                found.append(pair)
    return tuple(found)


def _on_two_banks(first: str, second: str) -> bool:
    """Whether two names can be the same camshaft of two banks; columns without a name can."""
    named = [n[:-1].isdecimal() and n[-1:] in ("A", "B") for n in (first, second)]
    return first[-1] == second[-1] and first[:-1] != second[:-1] if all(named) else not any(named)


def _pair(first: CamPattern, second: CamPattern) -> BankPair | None:
    """The turn that brings the first's edges onto the second's, or None where no turn does."""
    if len(first.edges_deg) != len(second.edges_deg) or len(first.edges_deg) < 2:
        return None
    turns = []
    for k in range(len(first.edges_deg)):
        if not np.array_equal(np.roll(second.rising, -k), first.rising):
            continue
        off = (np.roll(second.edges_deg, -k) - first.edges_deg) % 720.0
        off = off[0] + (off - off[0] + 360.0) % 720.0 - 360.0
        if np.abs(off - np.median(off)).max() < SAME_WHEEL_DEG:
            turns.append(float(np.mean(off)) % 720.0)
    if not turns:
        return None
    distance = [_beyond_usual(t) for t in turns]
    best = int(np.argmin(np.abs(distance)))
    return BankPair(
        cam=second.cam,
        other=first.cam,
        turned_deg=turns[best],
        apart_deg=distance[best],
        usual_deg=(turns[best] - distance[best]) % 720.0,
        certain=len(turns) == 1,
    )


def _beyond_usual(turned_deg: float) -> float:
    """What is beyond the nearest usual bank offset, between -30 and 30. [deg]"""
    away: list[float] = [(turned_deg - usual + 360.0) % 720.0 - 360.0 for usual in USUAL_BANKS_DEG]
    return min(away, key=lambda a: abs(a))


# ------------------------------------------------------------------------------------------------------- verdicts


def judge_banks(
    cams: tuple[CamEdges, ...], clock: CrankClock, stages: tuple[DriveStage, ...] = ()
) -> tuple[CamOffset, ...]:
    """What can be said of cams without engine data or reference: one result for each cam of each pair of banks.

    A pair is never called: the state is "not enough data" (or "erratic", which a cam shows by itself), and the notes
    say what the comparison shows and what it cannot.

    Parameters
    ----------
    stages : of the cams' drive, where at least the cam sprocket's teeth are known
    """
    patterns = {p.cam: p for p in learn_patterns(cams, stages, "")}
    edges = {c.cam: c for c in cams}
    out: dict[str, CamOffset] = {}
    for pair in compare_banks(cams, clock.repeat_deg):
        if pair.cam in out or pair.other in out:
            continue
        own = measure_cams((edges[pair.cam], edges[pair.other]), (patterns[pair.cam], patterns[pair.other]), clock)
        if min(m.cycles for m in own) < FEWEST_CYCLES:
            continue
        against = _measured(edges[pair.cam], patterns[pair.other], pair, clock)
        for measured, sign, reference in ((own[0], 1.0, pair.other), (own[1], -1.0, pair.cam)):
            out[measured.cam] = _result(measured, against, pair, sign, reference, (clock.error_deg, stages))
    return tuple(out[c.cam] for c in cams if c.cam in out)


def _measured(edges: CamEdges, other: CamPattern, pair: BankPair, clock: CrankClock) -> CycleOffsets:
    """One cam, cycle by cycle, held against the other's pattern turned by the usual bank offset."""
    turned = (other.edges_deg + pair.usual_deg) % 720.0
    order = np.argsort(turned)
    sds = np.asarray(other.edge_sds_deg)[order]
    nominal = replace(
        other, cam=pair.cam, edges_deg=turned[order], rising=other.rising[order], edge_sds_deg=tuple(sds.tolist())
    )
    held = replace(clock, repeat_deg=720.0)  # the turn between them is known: it must not be sought again
    return measure_cams((edges,), (nominal,), held)[0]


def _result(
    own: CycleOffsets,
    against: CycleOffsets,
    pair: BankPair,
    sign: float,
    reference: str,
    known: tuple[float, tuple[DriveStage, ...]],
) -> CamOffset:
    clock_error_deg, stages = known
    mean, (low, high), _ = summarise(against)
    mean, interval = sign * mean, (sign * low, sign * high) if sign > 0 else (sign * high, sign * low)
    wanders = is_erratic(own.offset_deg, clock_error_deg) and not is_moving(own.offset_deg)
    pitch = tooth_pitch_deg(stages) if stages else None
    sd = (interval[1] - interval[0]) / 3.92
    teeth = teeth_between(sign * pair.turned_deg, sd, pitch) if pitch and pair.certain else {}
    return CamOffset(
        cam=own.cam,
        column=own.column,
        state="erratic" if wanders else "not enough data",
        reference=f"{OTHER_BANK} ({reference})",
        edges_per_cycle=own.edges_per_cycle,
        cycles=own.cycles,
        offset_deg=mean,
        ci95_deg=interval,
        scatter_deg=robust_sd(own.offset_deg),
        tooth_pitch_deg=pitch,
        teeth=tuple(sorted(teeth.items())),
        teeth_stage=len(stages) if stages else None,
        edge_angles_deg=tuple(float(a) for a in own.edge_angles_deg if np.isfinite(a)),
        cycle_times_s=against.times_s,
        cycle_offset_deg=sign * against.offset_deg,
        cycle_rpm=against.rpm,
        notes=_notes(own.cam, reference, mean, pair, teeth),
    )


def teeth_between(turned_deg: float, sd_deg: float, pitch_deg: float) -> dict[int, float]:
    """How many teeth two banks stand apart, over every usual bank offset. Positive: the first is the later one.

    Which bank's teeth they are cannot be told.
    """
    k = np.arange(-MOST_TEETH, MOST_TEETH + 1)
    prior = np.array([1.0 - SLIPPED if n == 0 else 0.5 * SLIPPED * BY_COUNT[abs(int(n))] for n in k])
    usual = np.array(USUAL_BANKS_DEG, dtype=np.float64)
    away = (turned_deg - usual[:, None] - k[None, :] * pitch_deg + 360.0) % 720.0 - 360.0
    s = float(np.hypot(sd_deg, MOUNT_SD_DEG))
    like: Floats = np.exp(-0.5 * (away / s) ** 2) / (s * np.sqrt(2.0 * np.pi)) + NO_TOOTH_DENSITY
    weight = (like * prior).sum(axis=0)
    share = weight / weight.sum()
    return {int(n): float(p) for n, p in zip(k, share, strict=True) if p >= 1e-4 or abs(n) <= 1}


def _notes(cam: str, reference: str, mean: float, pair: BankPair, teeth: dict[int, float]) -> tuple[str, ...]:
    """What the comparison shows, what was assumed, and what it cannot say."""
    side = "after" if mean > 0 else "before"
    usual = f"a bank offset of {pair.usual_deg:g} degrees was assumed, as V and flat engines have multiples of 60 or 90"
    if abs(mean) <= AGREE_DEG:
        notes = [f"the banks agree within {max(abs(mean), 0.1):.1f} degrees: {usual}"]
        notes.append("both banks off alike would look the same, so this does not prove either of them in time")
    else:
        notes = [f"{cam} comes {abs(mean):.1f} degrees {side} its place by {reference}: {usual}"]
        notes.append(f"which of {cam} and {reference} is off cannot be told, nor whether they are mounted like that")
    call = max(teeth, key=lambda n: teeth[n]) if teeth else 0
    if call and teeth[call] > 0.5:
        word = "tooth" if abs(call) == 1 else "teeth"
        notes.append(f"it fits {abs(call)} {word} between the banks ({100 * teeth[call]:.0f} in 100)")
    if not pair.certain:
        notes.append("their wheels look the same at more than one turn: only the least difference is given")
    return tuple(notes)

"""What was measured of the cams, as log-likelihoods: offset, scatter, whether there was a signal, a phaser in a log.

Offsets enter as a mean with its interval, never as a number of teeth or a state: those already hold prior beliefs about
chains, which must not be counted twice. All offsets are weighed together, because wear, a jump of the common drive and
a crank reference that is off move several cams alike.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from tightside.causes import numbers as n
from tightside.causes.hypotheses import Hypotheses, bank_of
from tightside.causes.signs import Finding
from tightside.records import Bools, CamOffset, CamPattern, Floats, Ints, PhaserMotion, tooth_pitch_deg

TEETH = np.arange(-n.MOST_TEETH, n.MOST_TEETH + 1)
STEP_DEG = 0.1
REACH_DEG = 420.0
GRID_DEG = np.arange(-REACH_DEG, REACH_DEG + STEP_DEG, STEP_DEG)
#: how a cam behaves for a reason of its own, apart from whole teeth
HABITS = ("place", "oil", "loose", "stuck", "valve", "signal", "moved", "broken")


@dataclass(frozen=True, eq=False)
class Measured:
    """One cam as measured."""

    cam: str
    offset_deg: float | None = None
    sd_deg: float = 1.0
    scatter_deg: float | None = None
    cycles: int = 0
    cranking: bool = False
    seen: int | None = None  # 0 judged, 1 too little that fits, 2 no signal at all; None: not recorded
    pitch_deg: float = n.USUAL_PITCH_DEG
    first_pitch_deg: float = n.USUAL_PITCH_DEG
    authority_deg: float = n.USUAL_AUTHORITY_DEG
    advances: bool = True
    notes: tuple[str, ...] = field(default=())
    ways: tuple[tuple[float, float], ...] = ()  # (offset, probability) where a log leaves its unit or side open


def measured_cam(cam: CamOffset, pattern: CamPattern | None) -> Measured:
    """What counts of a cam's verdict as measurement, with what its pattern says of drive and phaser."""
    seen: int | None = {"no signal": 2, "not enough data": 1}.get(cam.state, 0)
    if cam.evidence == "log" and seen == 1:  # units or sides left open, or too little rest: nothing about the signal
        seen = None
    stages = pattern.stages if pattern is not None else ()
    pitch = tooth_pitch_deg(stages) if stages else (cam.tooth_pitch_deg or n.USUAL_PITCH_DEG)
    sd = (cam.ci95_deg[1] - cam.ci95_deg[0]) / 3.92 if cam.ci95_deg else 1.0
    usable = seen == 0 and cam.offset_deg is not None
    likeliest = max(cam.ways, key=lambda way: way[1])[0] if cam.ways else None
    authority = pattern.phaser_authority_deg if pattern is not None else n.USUAL_AUTHORITY_DEG
    return Measured(
        cam=cam.cam,
        offset_deg=cam.offset_deg if usable else likeliest,
        sd_deg=max(sd, 0.05),
        scatter_deg=scatter_of(cam) if usable else None,
        cycles=cam.cycles,
        cranking=bool(len(cam.cycle_rpm) and np.median(cam.cycle_rpm) < n.CRANKING_RPM),
        seen=seen,
        pitch_deg=pitch,
        first_pitch_deg=tooth_pitch_deg(stages, 0) if stages else pitch,
        authority_deg=authority or n.USUAL_AUTHORITY_DEG,
        advances=pattern.phaser_advances if pattern is not None else True,
        ways=cam.ways if not usable else (),
    )


def scatter_of(cam: CamOffset) -> float | None:
    """Spread of a cam from cycle to cycle; where it moves smoothly, as a phaser does that is told to, only its jitter.

    A tenth of the cycles at each end is left out. A walk whose steps are small against its spread is a movement, not a
    wandering: the spread counts up to three times the jitter.
    """
    x = cam.cycle_offset_deg[np.isfinite(cam.cycle_offset_deg)]
    if len(x) < 8:
        return cam.scatter_deg
    jitter = _spread(np.diff(x)) / np.sqrt(2.0)
    return float(min(_spread(x), max(3.0 * jitter, cam.scatter_deg if jitter == 0.0 and cam.scatter_deg else 0.0)))


def _spread(x: Floats) -> float:
    """The larger of the scaled median absolute deviation and of the middle 80 per cent as a normal's."""
    mad = 1.482602 * float(np.median(np.abs(x - np.median(x))))
    low, high = np.quantile(x, (0.1, 0.9))
    return max(mad, float(high - low) / 2.5631)


# ---------------------------------------------------------------------------------------------------------- offsets


def habits_of(hypotheses: Hypotheses, cam: str) -> Ints:
    """(H,) index into HABITS: what keeps this cam from its place, apart from whole teeth and wear."""
    out = np.zeros(len(hypotheses.log_prior), dtype=np.int64)
    ranked = (
        ("oil", "oil_low", ""),
        ("signal", "cam_signal", cam),
        ("moved", "wheel_moved", cam),
        ("valve", "oil_valve", cam),
        ("stuck", "phaser_stuck", cam),
        ("loose", "phaser_loose", cam),
        ("broken", "cam_drive_broken", cam),
        ("broken", "drive_broken", bank_of(cam)),
    )
    for habit, kind, place in ranked:
        if kind == "oil_low" and cam not in hypotheses.layout.phased:
            continue
        out[hypotheses.column(kind, place)] = HABITS.index(habit)
    return out


def _densities(cam: Measured, phased: bool) -> Floats:
    """(habits, grid) density of what teeth, wear and reference leave of an offset. [1/deg]

    Each a mixture of: at its place within tolerance, anywhere within the phaser's reach, and adrift.
    """
    s = float(np.hypot(cam.sd_deg, n.MOUNT_SD_DEG))
    x = GRID_DEG
    place = _normal(x, s)
    y = -x if cam.advances else x
    away = (ndtr(y / s) - ndtr((y - cam.authority_deg) / s)) / cam.authority_deg
    adrift = _adrift(x)
    usual = (n.PHASER_AWAY_CRANKING if cam.cranking else n.PHASER_AWAY) if phased else 0.0
    loose = (1.0 - sum(n.LOOSE_SHARES)) * away
    for share, sd in zip(n.LOOSE_SHARES, n.LOOSE_SD_DEG, strict=True):
        loose = loose + share * _normal(x, float(np.hypot(sd, s)))
    near = np.exp(-np.abs(x) / n.REFERENCE_SPAN_DEG) / (2.0 * n.REFERENCE_SPAN_DEG)
    anywhere = np.full_like(x, 1.0 / 720.0)
    shapes = {
        "place": _mix(place, away, usual),
        "oil": _mix(place, away, n.OIL_AWAY),
        "loose": loose,
        "stuck": _mix(away, place, n.STUCK_AT_PARK),
        "valve": _mix(place, away, n.VALVE_AWAY),
        "signal": _mix(_mix(place, away, usual), adrift, n.SIGNAL_FALSE),
        "moved": _mix(near, adrift, n.MOVED_ANYWHERE),
        "broken": anywhere,
    }
    return np.array([_mix(shapes[h], adrift, n.ADRIFT) for h in HABITS])


def _mix(a: Floats, b: Floats, share: float) -> Floats:
    return np.asarray((1.0 - share) * a + share * b)


def _normal(x: Floats, sd: float) -> Floats:
    return np.asarray(np.exp(-0.5 * (x / sd) ** 2) / (sd * np.sqrt(2.0 * np.pi)))


def _adrift(x: Floats) -> Floats:
    """Nothing that is known explains it: anywhere within a wide span, thinning out beyond it."""
    half = n.ADRIFT_SPAN_DEG / 2.0
    return np.asarray(np.where(np.abs(x) < half, 1.0, np.exp(-(np.abs(x) - half) / half)) / (4.0 * half))


def count_prior() -> Floats:
    """P(teeth | jumped), over TEETH; none at 0."""
    out = np.zeros(len(TEETH))
    for k, share in n.BY_COUNT.items():
        out[n.MOST_TEETH + k] = share * n.LATE_SHARE
        out[n.MOST_TEETH - k] = share * (1.0 - n.LATE_SHARE)
    return out


@lru_cache(maxsize=1)
def wear_priors() -> tuple[Floats, Floats, Floats, float]:
    """Lateness from wear on a grid, P(lateness | not worn), P(lateness | worn), and the share that is worn. [deg]

    One distribution, the tooth count's own, parted softly: what lies above ``WORN_FROM_DEG`` is worn.
    """
    late = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.25, 6.75, 8.25, n.WORN_FAR_DEG])
    cell = np.gradient(late)
    cell[0] *= 0.5  # the first cell of the grid is half as wide
    weight = np.where(late <= n.WEAR_MOST_DEG, cell * np.exp(-late / n.WEAR_MEAN_DEG), 0.0)
    total = n.WEAR_SHARE * weight / weight.sum()
    total[0] += 1.0 - n.WEAR_SHARE
    worn = 1.0 / (1.0 + np.exp(-(late - n.WORN_FROM_DEG) / n.WORN_SOFT_DEG))
    share = float((total * worn).sum())
    far = np.where(late >= 3.0, cell, 0.0)
    far = far / far.sum()
    return late, total * (1.0 - worn) / (1.0 - share), _mix(total * worn / share, far, n.WORN_FAR), share


@lru_cache(maxsize=1)
def reference_grid() -> tuple[Floats, Floats, Floats]:
    """Crank reference errors on a grid, their weights where it is right, and where it is off. [deg]"""
    near = np.arange(-1.2, 1.21, 0.6)
    right = np.exp(-0.5 * (near / n.REFERENCE_SD_DEG) ** 2)
    far = np.concatenate([np.arange(-n.REFERENCE_MOST_DEG, -1.0, 2.0), np.arange(2.0, n.REFERENCE_MOST_DEG + 1, 2.0)])
    off = np.exp(-np.abs(far) / n.REFERENCE_SPAN_DEG)
    off = _mix(off / off.sum(), np.full(len(far), 1.0 / len(far)), n.REFERENCE_ANYWHERE)
    zeros_near, zeros_far = np.zeros(len(near)), np.zeros(len(far))
    return (
        np.concatenate([near, far]),
        np.concatenate([right / right.sum(), zeros_far]),
        np.concatenate([zeros_near, off / off.sum()]),
    )


def _cam_table(cam: Measured, phased: bool) -> Floats:
    """(wear, bank teeth, own slip * habit, reference): density of this cam's offset, or of all that it may be."""
    if not cam.ways:
        return _offset_table(cam, phased)
    each = [p * _offset_table(replace(cam, offset_deg=offset, ways=()), phased) for offset, p in cam.ways]
    return np.asarray(np.sum(each, axis=0))


def _offset_table(cam: Measured, phased: bool) -> Floats:
    assert cam.offset_deg is not None
    late = wear_priors()[0]
    s = reference_grid()[0]
    shapes = _densities(cam, phased)
    bank_deg = TEETH * cam.first_pitch_deg
    base = cam.offset_deg - late[:, None, None] - bank_deg[None, :, None] - s[None, None, :]  # (W, B, S)
    own = np.array([0.0, *(TEETH * cam.pitch_deg)])
    x = base[None] - own[:, None, None, None]  # (1 + K, W, B, S)
    at = np.clip(np.round((x + REACH_DEG) / STEP_DEG).astype(np.int64), 0, len(GRID_DEG) - 1)
    found = shapes[:, at]  # (habit, 1 + K, W, B, S)
    slipped = np.tensordot(count_prior(), found[:, 1:], axes=(0, 1))  # (habit, W, B, S)
    whole = np.stack([found[:, 0], slipped])  # (2, habit, W, B, S)
    return np.ascontiguousarray(whole.transpose(2, 3, 0, 1, 4)).reshape(len(late), len(TEETH), -1, len(s))


Tables = Mapping[str, Floats]


def offset_tables(cams: Sequence[Measured], hypotheses: Hypotheses) -> dict[str, Floats]:
    """The density table of every cam that has an offset."""
    phased = hypotheses.layout.phased
    return {c.cam: _cam_table(c, c.cam in phased) for c in cams if c.offset_deg is not None}


def offsets_log_likelihood(tables: Tables, hypotheses: Hypotheses) -> Floats:
    """(H,) log of the joint density of all offsets, wear, teeth and reference summed out."""
    return _joined(_bank_tables(tables, hypotheses), hypotheses)


def offsets_one_by_one(tables: Tables, hypotheses: Hypotheses) -> dict[str, Floats]:
    """Cam to (H,): what its offset adds to the log density of all the others'."""
    banks = _bank_tables(tables, hypotheses)
    every = _joined(banks, hypotheses)
    out = {}
    for cam in tables:
        siblings = {c: t for c, t in tables.items() if bank_of(c) == bank_of(cam) and c != cam}
        others = {b: t for b, t in banks.items() if b != bank_of(cam)} | _bank_tables(siblings, hypotheses)
        out[cam] = every - _joined(others, hypotheses) if others else every
    return out


BankTables = Mapping[str, tuple[Floats, Ints]]


def _bank_tables(tables: Tables, hypotheses: Hypotheses) -> dict[str, tuple[Floats, Ints]]:
    banks = {bank_of(cam): [c for c in tables if bank_of(c) == bank_of(cam)] for cam in tables}
    return {bank: _bank_table(bank, mine, tables, hypotheses) for bank, mine in banks.items()}


def _joined(banks: BankTables, hypotheses: Hypotheses) -> Floats:
    """(H,) all banks together, the reference that they share summed out."""
    _, right, off = reference_grid()
    key = hypotheses.column("reference_off", "").astype(np.int64)
    per_bank = [table for table, _ in banks.values()]
    for table, row in banks.values():
        key = key * len(table) + row
    unique, inverse = np.unique(key, return_inverse=True)
    joint: Floats = np.ones(1)
    for table in reversed(per_bank):
        unique, row = np.divmod(unique, len(table))
        joint = joint * table[row]
    joint = joint * np.stack([right, off])[unique]
    return np.asarray(np.log(np.maximum(joint.sum(axis=1), 1e-300))[inverse])


def _bank_table(bank: str, cams: Sequence[str], tables: Tables, hypotheses: Hypotheses) -> tuple[Floats, Ints]:
    """(rows, reference) densities of a bank's cams, wear and common teeth summed out, and (H,) the row of each."""
    key = 2 * hypotheses.column("chain_slipped", bank) + hypotheses.column("chain_worn", bank).astype(np.int64)
    for cam in cams:
        own = hypotheses.column("cam_slipped", cam) * len(HABITS) + habits_of(hypotheses, cam)
        key = key * (2 * len(HABITS)) + own
    unique, row = np.unique(key, return_inverse=True)
    states: dict[str, Ints] = {}
    for cam in reversed(cams):
        unique, states[cam] = np.divmod(unique, 2 * len(HABITS))
    jumped, worn = np.divmod(unique, 2)
    out = np.empty((len(unique), tables[cams[0]].shape[-1]))
    for moved, at in ((0, TEETH == 0), (1, TEETH != 0)):
        mine = jumped == moved
        out[mine] = _summed({c: tables[c][:, at][:, :, own[mine]] for c, own in states.items()}, worn[mine], at)
    return out, row


def _summed(of_cams: Tables, worn: Ints, at: Bools) -> Floats:
    """(rows, S): the cams' densities (W, B, rows, S) multiplied, wear and the bank's teeth summed out."""
    late = np.stack(wear_priors()[1:3])[worn]  # (rows, W)
    teeth = np.where(at[TEETH == 0], 1.0, count_prior())[at]  # one for none, else how far it jumped
    first, *others = of_cams.values()
    for other in others:
        first = first * other
    by_wear = np.einsum("b,wbrs->wrs", teeth, first) if len(teeth) > 1 else first[:, 0]
    return np.asarray(np.einsum("rw,wrs->rs", late, by_wear))


# ------------------------------------------------------------------------------- scatter, presence, a phaser's log


def scatter_log_likelihood(cam: Measured, hypotheses: Hypotheses) -> Floats:
    """(H,) log density of the logarithm of a cam's scatter."""
    assert cam.scatter_deg is not None
    habit = habits_of(hypotheses, cam.cam)
    value = max(cam.scatter_deg / (n.CRANKING_SCATTER if cam.cranking else 1.0), 0.05)
    blur = 1.0 / np.sqrt(2.0 * max(cam.cycles, 2))
    known = {name: _log_mixture(value, n.SCATTER_DEG[name], blur) for name in n.SCATTER_DEG}
    out = np.array([known[h] for h in HABITS])[habit]
    for kind, place, name in (("chain_worn", bank_of(cam.cam), "worn"), ("crank_signal", "", "crank")):
        plain = np.isin(habit, (0, 1)) & hypotheses.column(kind, place)
        out = np.where(plain, known[name], out)
    return np.asarray(np.log(out))


def _log_mixture(value: float, parts: tuple[tuple[float, float, float], ...], blur: float) -> float:
    total = 0.0
    for weight, median, sd in parts:
        s = float(np.hypot(sd, blur))
        total += weight * float(np.exp(-0.5 * (np.log(value / median) / s) ** 2)) / s
    return total


def seen_log_likelihood(cam: Measured, hypotheses: Hypotheses) -> Floats:
    """(H,) log of P(judged, too little that fits, or no signal)."""
    assert cam.seen is not None
    habit = habits_of(hypotheses, cam.cam)
    by_habit = np.array([n.SEEN.get(h, n.SEEN["place"])[cam.seen] for h in HABITS])
    crank = hypotheses.column("crank_signal", "")
    out = np.where(crank & (habit != HABITS.index("broken")), n.SEEN["crank"][cam.seen], by_habit[habit])
    return np.log(out)


def follows_log_likelihood(motion: PhaserMotion, hypotheses: Hypotheses) -> Floats:
    """(H,) log density of the share of a commanded move that a phaser makes."""
    assert motion.follows is not None
    low, high = motion.follows_ci95 or (motion.follows - 0.2, motion.follows + 0.2)
    sd = max((high - low) / 3.92, 0.01)
    share = min(motion.follows, 1.0)  # further than told: control takes out an offset of the chain, no phaser's fault

    def density(habit: str) -> float:
        mean, own = n.FOLLOWS[habit]
        s = float(np.hypot(own, sd))
        return float(np.exp(-0.5 * ((share - mean) / s) ** 2) / (s * np.sqrt(2.0 * np.pi)))

    return _by_habit(motion.cam, hypotheses, density, odd=1.0 / 1.5)


def response_log_likelihood(motion: PhaserMotion, hypotheses: Hypotheses) -> Floats:
    """(H,) log density of the logarithm of a phaser's time constant."""
    assert motion.response_s is not None
    value = max(motion.response_s, 0.02)
    low, high = motion.response_ci95_s or (0.5 * value, 2.0 * value)
    blur = abs(float(np.log(max(high, 1.01 * value) / max(low, 0.05 * value)))) / 3.92

    def density(habit: str) -> float:
        median, own = n.RESPONSE_S[habit]
        s = float(np.hypot(own, blur))
        return float(np.exp(-0.5 * (np.log(value / median) / s) ** 2) / (s * np.sqrt(2.0 * np.pi)))

    return _by_habit(motion.cam, hypotheses, density, odd=0.15)


def _by_habit(cam: str, hypotheses: Hypotheses, density: Callable[[str], float], odd: float) -> Floats:
    known = {h: density(h) for h in ("place", "oil", "loose", "stuck", "valve", "signal")} | {"broken": 0.0}
    table = np.array([(1.0 - n.ODD_LOG) * known.get(h, known["place"]) + n.ODD_LOG * odd for h in HABITS])
    return np.asarray(np.log(table[habits_of(hypotheses, cam)]))


def motion_findings(cams: Sequence[Measured], hypotheses: Hypotheses) -> list[Finding]:
    """What one cam's recording says beside its offset: how it scatters, and whether there was a signal."""
    out = []
    for cam in cams:
        if cam.scatter_deg is not None:
            text = f"from cycle to cycle {cam.cam} varies by {max(cam.scatter_deg, 0.05):.1f} degrees"
            out.append(Finding(f"scatter:{cam.cam}", text, scatter_log_likelihood(cam, hypotheses), "recording"))
        if cam.seen is not None:
            text = (
                f"{cam.cam} has a signal that fits",
                f"the signal of {cam.cam} does not fit or is too short",
                f"{cam.cam} has no signal",
            )[cam.seen]
            out.append(Finding(f"signal:{cam.cam}", text, seen_log_likelihood(cam, hypotheses), "recording"))
    return out

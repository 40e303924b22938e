"""How many teeth: one posterior over all cams, every stage of their drives, and the crank reference they share.

A cam's offset is the sum of whole teeth (its own sprocket's, or the bank's common first stage), the bank's worn chain
(late only), mounting and data tolerance, perhaps a phaser that is not parked, and whatever the crank reference is off
by, which is the same for all cams. What no such cause explains is left open rather than given to the nearest tooth.

Every number below is common practice, no source; they weigh possibilities, the measurement decides. Calibration on
simulated truth: ``benchmarks/accuracy.py``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from tightside.records import CamPattern, Floats, tooth_pitch_deg

MOST_TEETH = 4
TEETH = np.arange(-MOST_TEETH, MOST_TEETH + 1)
#: chance that a sprocket has jumped, of those that come with such a complaint, and how the jumps share it
BANK_JUMP, CAM_JUMP = 0.16, 0.14
LATE_SHARE = 0.62
BY_COUNT = {1: 0.58, 2: 0.25, 3: 0.11, 4: 0.06}
MOUNT_SD_DEG = 0.9  # cam wheel, sensor and engine data, each cam for itself
WEAR_SHARE, WEAR_MEAN_DEG, WEAR_MOST_DEG = 0.55, 1.6, 7.0  # chains worn at all; late only, exponential, by the bank
PHASER_WEIGHT = 0.04  # a phaser that is not parked: anywhere within its authority
PHASER_WEIGHT_CRANKING = 0.012  # the same before there is oil pressure, when its pin should hold it
ADRIFT_WEIGHT = 0.012  # none of these: anywhere within ADRIFT_SPAN_DEG, shared between the two nearest teeth
ADRIFT_SPAN_DEG = 200.0
REFERENCE_SD_DEG = 0.6  # crank sensor and wheel as built
REFERENCE_LOST = 0.035  # chance that the reference is off by more: wheel moved, wrong data
REFERENCE_SPAN_DEG = 14.0  # ... by about this much (Laplace)


@dataclass(frozen=True, slots=True)
class MeasuredCam:
    """What the tooth count needs of one cam."""

    pattern: CamPattern
    offset_deg: float
    sd_deg: float
    cranking: bool = False


@dataclass(frozen=True, slots=True)
class TeethBelief:
    """Posterior of one cam."""

    pitch_deg: float | None
    probability: dict[int, float]  # over whole teeth on ``stage``, positive late
    stage: (
        int  # of the drive, counted from the crank: the last one, or the first where that is likelier to have slipped
    )
    first_stage: float  # probability that the first stage slipped, where its tooth is another than the last one's
    reference_lost: float  # probability that the crank reference, not the chain, is off
    reference_deg: float = 0.0  # by how much it is off, at its likeliest


def jump_prior(jump: float) -> Floats:
    """Probability of each entry of TEETH."""
    out = np.zeros(len(TEETH))
    for k, share in BY_COUNT.items():
        out[MOST_TEETH + k] = jump * share * LATE_SHARE
        out[MOST_TEETH - k] = jump * share * (1.0 - LATE_SHARE)
    out[MOST_TEETH] = 1.0 - jump
    return out


def density(x: Floats, cam: MeasuredCam) -> Floats:
    """Density of an offset that teeth, wear and reference do not explain: tolerance, or a phaser not parked. [1/deg]

    A normal, and a uniform over the phaser's authority with the same blur.
    """
    s = float(np.hypot(cam.sd_deg, MOUNT_SD_DEG))
    total = np.exp(-0.5 * (x / s) ** 2) / (s * np.sqrt(2.0 * np.pi))
    reach = cam.pattern.phaser_authority_deg
    if reach > 0.0:
        y = -x if cam.pattern.phaser_advances else x
        away = (ndtr(y / s) - ndtr((y - reach) / s)) / reach
        weight = PHASER_WEIGHT_CRANKING if cam.cranking else PHASER_WEIGHT
        total = (1.0 - weight) * total + weight * away
    return np.asarray(total)


def wear_prior() -> tuple[Floats, Floats]:
    """Lateness of a bank's cams from its chain, and the probability of each. [deg]"""
    late = np.arange(0.0, WEAR_MOST_DEG + 0.25, 0.5)
    worn = np.exp(-late / WEAR_MEAN_DEG)
    prior = WEAR_SHARE * worn / worn.sum()
    prior[0] += 1.0 - WEAR_SHARE
    return late, prior


def _references(repeat_deg: float) -> tuple[Floats, Floats]:
    """Grid of crank reference errors and their prior weights; the last ones are whole repeats of a many-fold wheel."""
    step = 0.4
    s = np.arange(-100.0, 100.0 + step, step)
    near = np.exp(-0.5 * (s / REFERENCE_SD_DEG) ** 2)
    far = np.exp(-np.abs(s) / REFERENCE_SPAN_DEG)
    weight = (1.0 - REFERENCE_LOST) * near / near.sum() + REFERENCE_LOST * far / far.sum()
    if repeat_deg < 90.0:  # the wheel reads the same a repeat further on: nothing but the cams says which it is
        for m in range(1, int(100.0 / repeat_deg) + 1):
            for shift in (-m * repeat_deg, m * repeat_deg):
                comb = np.exp(-0.5 * ((s - shift) / REFERENCE_SD_DEG) ** 2)
                weight = weight + comb / near.sum()
    return s, weight / weight.sum()


def infer_teeth(cams: tuple[MeasuredCam, ...], repeat_deg: float = 360.0) -> tuple[TeethBelief, ...]:
    """Posterior over whole teeth for each cam, all cams weighed together.

    Parameters
    ----------
    cams : tuple of MeasuredCam
        Only steady ones; an erratic cam says nothing about teeth.
    repeat_deg : float
        The crank wheel's smallest turn onto itself. [deg]
    """
    if not cams:
        return ()
    s, weight = _references(repeat_deg)
    banks: dict[str, list[int]] = {}
    for i, cam in enumerate(cams):
        banks.setdefault(cam.pattern.bank, []).append(i)
    tables = [_cam_table(cam, s) for cam in cams]  # each (W, B, K, S): wear, first-stage teeth, own teeth, reference
    bank_prior = wear_prior()[1][:, None] * jump_prior(BANK_JUMP)[None, :]  # (W, B)
    given = [t.sum(axis=2) for t in tables]  # (W, B, S)
    by_bank = {
        b: np.einsum("wb,wbs->s", bank_prior, np.prod([given[i] for i in mine], axis=0)) for b, mine in banks.items()
    }
    posterior_s = weight * np.prod(list(by_bank.values()), axis=0)
    norm = max(float(posterior_s.sum()), 1e-300)
    lost = float(posterior_s[np.abs(s) > 3.0].sum() / norm)
    out = []
    for i, cam in enumerate(cams):
        siblings = [given[j] for j in banks[cam.pattern.bank] if j != i]
        shared = bank_prior[:, :, None] * np.prod([np.ones_like(given[i]), *siblings], axis=0)  # (W, B, S)
        others = weight * np.prod([np.ones(len(s)), *(v for b, v in by_bank.items() if b != cam.pattern.bank)], axis=0)
        both = np.einsum("wbs,wbks,s->bk", shared, tables[i], others, optimize=True) / norm
        out.append(replace(_belief(cam, both, lost), reference_deg=float(s[posterior_s.argmax()])))
    return tuple(out)


def _cam_table(cam: MeasuredCam, s: Floats) -> Floats:
    """(W, B, K, S): likelihood times own-jump prior, for each wear, first-stage jump, own jump, reference error."""
    stages = cam.pattern.stages
    own = tooth_pitch_deg(stages) if stages else 0.0
    first = tooth_pitch_deg(stages, 0) if stages else 0.0
    prior = jump_prior(CAM_JUMP) if stages else (TEETH == 0).astype(np.float64)
    shift = TEETH[:, None] * first + TEETH[None, :] * own  # (B, K)
    x = cam.offset_deg - shift[None, :, :, None] - s[None, None, None, :]
    late = wear_prior()[0][:, None, None, None]
    like = (1.0 - ADRIFT_WEIGHT) * density(x - late, cam)
    pitch = own if own > 0 else 20.0
    blur = 0.14 * pitch
    near = np.exp(-np.abs(x) / blur) / (2.0 * blur)  # integrates to 1
    # what nothing explains is shared by nearness alone: half way between two teeth it must not favour staying put
    adrift = ADRIFT_WEIGHT * near * pitch / ADRIFT_SPAN_DEG * (0.5 if stages else 1.0)
    return like * prior[None, None, :, None] + adrift


def _belief(cam: MeasuredCam, both: Floats, lost: float) -> TeethBelief:
    """Marginals of one cam from its (B, K) posterior over first-stage and own teeth."""
    stages = cam.pattern.stages
    if not stages:
        return TeethBelief(None, {}, len(stages), 0.0, lost)
    own, first = tooth_pitch_deg(stages), tooth_pitch_deg(stages, 0)
    same = len(stages) == 1 or abs(own - first) < 0.02 * own
    both = both / both.sum()
    middle = MOST_TEETH
    on_first = float(both[:, middle].sum() - both[middle, middle])
    on_last = float(both[middle, :].sum() - both[middle, middle])
    total: dict[int, float] = {}
    for b, kb in enumerate(TEETH):
        for k, kc in enumerate(TEETH):
            # one stage alone: its own count; both at once, which is rare: what the last one did
            teeth = int(kb + kc) if same or kb == 0 or kc == 0 else int(kc)
            total[teeth] = total.get(teeth, 0.0) + float(both[b, k])
    kept = {k: p for k, p in sorted(total.items()) if p >= 1e-4 or abs(k) <= 1}
    stage = 1 if not same and on_first > on_last else len(stages)
    return TeethBelief(first if stage == 1 else own, kept, stage, on_first if not same else 0.0, lost)

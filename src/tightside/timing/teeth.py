"""How many teeth: one posterior over all cams, every stage of their drives, and the crank reference they share.

A cam's offset is the sum of whole teeth (its own sprocket's, or a stage that its bank shares), the bank's worn chain
(late only), mounting and data tolerance, perhaps a phaser that is not parked, and whatever the crank reference is off
by, which is the same for all cams. What no such cause explains is left open rather than given to the nearest tooth.

Every number below is common practice, no source; they weigh possibilities, the measurement decides. Calibration on
simulated truth: ``benchmarks/accuracy.py``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from tightside.records import CamPattern, DriveStage, Floats, Ints, tooth_pitch_deg

MOST_TEETH = 4
#: chance that a sprocket has jumped, of those that come with such a complaint, and how the jumps share it
BANK_JUMP, CAM_JUMP = 0.16, 0.14
LATE_SHARE = 0.62
BY_COUNT = {1: 0.58, 2: 0.25, 3: 0.11, 4: 0.06}
EARLIER_OF_BANK, EARLIER_OF_CAM = (
    0.5,
    0.15,
)  # share of the jumps that happen before the last stage, where there are more
MOUNT_SD_DEG = 0.9  # cam wheel, sensor and engine data, each cam for itself
WEAR_SHARE, WEAR_MEAN_DEG, WEAR_MOST_DEG = 0.55, 1.6, 7.0  # chains worn at all; late only, exponential, by the bank
COMMON_WEAR_SHARE = 0.2  # ... and so often alike on all banks: the chains are of one age
PHASER_WEIGHT = 0.04  # a phaser that is not parked: anywhere within its authority
PHASER_WEIGHT_DRIVING = 0.12  # well above idle, where most are told to move
PHASER_WEIGHT_CRANKING = 0.03  # the same before there is oil pressure, when its pin should hold it
COMMANDED_ALIKE = 1.5  # of a lone phaser's weight: the module moves the phasers of both banks together
ALIKE_DEG, AWAY_DEG = 4.0, 3.0  # so near to each other, and so far from parked, they may have been
ADRIFT_WEIGHT = 0.012  # none of these: anywhere within ADRIFT_SPAN_DEG, shared between the two nearest teeth
ADRIFT_SPAN_DEG = 200.0
TURNED_WEIGHT = 0.04  # a signal that is upside down, where its edges cannot show it
REFERENCE_SD_DEG = 0.6  # crank sensor and wheel as built
REFERENCE_LOST = 0.045  # chance that the reference is off by more: wheel moved, wrong data
REFERENCE_SPAN_DEG = 14.0  # ... by about this much (Laplace)
REFERENCE_TEETH = 0.03  # ... or by as much as whole teeth of the drive: set together wrongly, a lone cam cannot tell
CRANK_TURNED = 0.015  # a crank signal read upside down, where its edges cannot show it
LOST_DEG = 3.0  # from here on a reference counts as lost
WORN = -1  # marks wear of all banks among the errors of the reference
PLACES_DEG = 200.0  # places of a repeating wheel are weighed this far


@dataclass(frozen=True, slots=True)
class MeasuredCam:
    """What the tooth count needs of one cam."""

    pattern: CamPattern
    offset_deg: float
    sd_deg: float
    cranking: bool = False
    turned_deg: float | None = None  # its offset should the signal be upside down, where nothing shows whether it is
    driving: bool = False  # well above idle

    @property
    def phaser_weight(self) -> float:
        """Chance that its phaser, if it has one, is away from park."""
        if self.cranking:
            return PHASER_WEIGHT_CRANKING
        return PHASER_WEIGHT_DRIVING if self.driving else PHASER_WEIGHT


@dataclass(frozen=True, slots=True)
class TeethBelief:
    """Posterior of one cam."""

    pitch_deg: float | None
    probability: dict[int, float]  # over whole teeth on ``stage``, positive late
    stage: int  # of the drive, counted from the crank: the likeliest to have slipped, else the last one
    other_stage: float = 0.0  # probability that another stage slipped
    reference_lost: float = 0.0  # probability that the crank reference, not the chain, is off
    reference_deg: float = 0.0  # by how much it is off, at its likeliest
    turned: float = 0.0  # probability that the signal is upside down
    crank_turned: tuple[float, ...] = ()  # probability of each way in which the crank signal may be upside down
    places: tuple[tuple[float, float], ...] = ()  # turns of the wheel onto itself [deg], and their probabilities
    spoken: float = 1.0  # odds that the recording added to the likeliest count: 1 if it says nothing


@dataclass(frozen=True, slots=True)
class Jumps:
    """What may have jumped: one entry that says nothing did, then every count on every stage that can be told apart."""

    teeth: Ints  # (J,)
    stage: Ints  # (J,) counted from the crank, 0 where nothing jumped
    shift_deg: Floats  # (J,)
    prior: Floats  # (J,)


def jumps_of(stages: tuple[DriveStage, ...], chance: float, earlier: float) -> Jumps:
    """Jumps of one sprocket set, with the share ``earlier`` of them before the last stage."""
    pitches = {len(stages): tooth_pitch_deg(stages)} if stages else {}
    for number in range(1, len(stages)):
        pitch = tooth_pitch_deg(stages, number - 1)
        if all(abs(pitch - known) > 0.02 * known for known in pitches.values()):
            pitches[number] = pitch
    rows = [(0, 0, 0.0, 1.0 - chance if pitches else 1.0)]
    for number, pitch in pitches.items():
        share = 1.0 if len(pitches) == 1 else earlier / (len(pitches) - 1) if number < len(stages) else 1.0 - earlier
        for count, of_count in BY_COUNT.items():
            for sign, of_sign in ((1, LATE_SHARE), (-1, 1.0 - LATE_SHARE)):
                rows.append((sign * count, number, sign * count * pitch, chance * share * of_count * of_sign))
    teeth, stage, shift, prior = zip(*rows, strict=True)
    return Jumps(np.array(teeth), np.array(stage), np.array(shift), np.array(prior))


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
        weight = cam.phaser_weight
        total = (1.0 - weight) * total + weight * away
    return np.asarray(total)


def wear_prior() -> tuple[Floats, Floats]:
    """Lateness of a bank's cams from its chain, and the probability of each. [deg]"""
    late = np.arange(0.0, WEAR_MOST_DEG + 0.5, 0.8)
    worn = np.exp(-late / WEAR_MEAN_DEG)
    prior = WEAR_SHARE * worn / worn.sum()
    prior[0] += 1.0 - WEAR_SHARE
    return late, prior


@lru_cache(maxsize=32)
def references(
    repeat_deg: float, pitches_deg: tuple[float, ...] = (), turned_deg: tuple[float, ...] = ()
) -> tuple[Floats, Floats, Ints, Ints]:
    """Errors of the crank reference [deg], the prior probability, way up of the signal and place of the wheel for each.

    Close together about zero, coarser further out; about every whole tooth of the drive; about what a signal read
    upside down would be off by; and the same again about every turn of the wheel onto itself, for nothing but the cams
    says which of them it is; and, as it looks the same, lateness from wear on all banks alike. The third is 0 where the
    signal is upright, k for the k-th of ``turned_deg``, WORN for wear; the fourth counts the wheel's turns onto itself.
    """
    near, far = np.arange(-3.0, 3.01, 0.4), np.arange(3.4, 80.0, 0.8)
    s = np.concatenate((-far[::-1], near, far))
    width = np.gradient(s)
    close = width * np.exp(-0.5 * (s / REFERENCE_SD_DEG) ** 2)
    laplace = width * np.exp(-np.abs(s) / REFERENCE_SPAN_DEG)
    parts = [
        (s, (1.0 - REFERENCE_LOST - REFERENCE_TEETH) * close / close.sum() + REFERENCE_LOST * laplace / laplace.sum())
    ]
    comb = np.arange(-1.6, 1.61, 0.4)
    blur = np.exp(-0.5 * (comb / REFERENCE_SD_DEG) ** 2)
    blur /= blur.sum()
    for pitch in pitches_deg:
        for count, share in BY_COUNT.items():
            for sign, side in ((1, LATE_SHARE), (-1, 1.0 - LATE_SHARE)):
                parts.append((sign * count * pitch + comb, REFERENCE_TEETH / len(pitches_deg) * share * side * blur))
    places = range(-int(PLACES_DEG / repeat_deg), int(PLACES_DEG / repeat_deg) + 1)
    late, worn = wear_prior()
    parts.append((late[1:], COMMON_WEAR_SHARE * worn[1:]))
    here, ways = sum(len(s) for s, _ in parts), len(turned_deg)
    parts += [(at + comb, CRANK_TURNED / ways * blur) for at in turned_deg]
    parts += [(m * repeat_deg + comb, blur) for m in places if m]
    s, weight = (np.concatenate(of) for of in zip(*parts, strict=True))
    way, place = np.zeros(len(s), int), np.zeros(len(s), int)
    way[here - len(late) + 1 : here] = WORN
    way[here : here + ways * len(comb)] = np.repeat(np.arange(ways) + 1, len(comb))
    place[here + ways * len(comb) :] = np.repeat([m for m in places if m], len(comb))
    return s, weight / weight.sum(), way, place


def infer_teeth(
    cams: tuple[MeasuredCam, ...], repeat_deg: float = 360.0, crank_turned_deg: tuple[float, ...] = ()
) -> tuple[TeethBelief, ...]:
    """Posterior over whole teeth for each cam, all cams weighed together.

    Parameters
    ----------
    cams : tuple of MeasuredCam
        Only steady ones; an erratic cam says nothing about teeth.
    repeat_deg : float
        The crank wheel's smallest turn onto itself. [deg]
    crank_turned_deg : tuple of float
        How much too late every cam seems, should the crank signal be upside down: one value for each way. [deg]
    """
    if not cams:
        return ()
    beliefs, evidence = _weigh(cams, repeat_deg, crank_turned_deg)
    for group, away_deg in _moved_alike(cams):
        parked = tuple(replace(c, offset_deg=c.offset_deg - away_deg) if i in group else c for i, c in enumerate(cams))
        told, evidence_told = _weigh(parked, repeat_deg, crank_turned_deg)
        first = cams[group[0]]
        blur = np.sqrt(2.0 * np.pi / len(group)) * np.hypot(first.sd_deg, MOUNT_SD_DEG)
        weight = COMMANDED_ALIKE * first.phaser_weight * blur / first.pattern.phaser_authority_deg
        share = weight * evidence_told / (evidence + weight * evidence_told)
        beliefs = tuple(_mixed(a, b, float(share)) for a, b in zip(beliefs, told, strict=True))
    return beliefs


def _moved_alike(cams: tuple[MeasuredCam, ...]) -> list[tuple[tuple[int, ...], float]]:
    """Phased cams of one letter on several banks that stand away from park alike, and by how much. [deg]"""
    found = []
    for letter in sorted({c.pattern.cam[-1:] for c in cams}):
        group = tuple(
            i for i, c in enumerate(cams) if c.pattern.cam[-1:] == letter and c.pattern.phaser_authority_deg > 0.0
        )
        if len({cams[i].pattern.bank for i in group}) < 2:
            continue
        at = np.array([cams[i].offset_deg for i in group])
        first = cams[group[0]].pattern
        away = float(-at.mean() if first.phaser_advances else at.mean())
        if np.ptp(at) <= ALIKE_DEG and AWAY_DEG <= away <= first.phaser_authority_deg + ALIKE_DEG:
            found.append((group, float(at.mean())))
    return found


def _mixed(as_read: TeethBelief, told: TeethBelief, share: float) -> TeethBelief:
    """Both readings of a cam in one belief: its phaser parked, or moved as it was told, which has the share given."""
    counts = sorted({*as_read.probability, *told.probability})
    mixed = {k: (1 - share) * as_read.probability.get(k, 0.0) + share * told.probability.get(k, 0.0) for k in counts}
    likelier = told if share > 0.5 else as_read
    return replace(likelier, probability=mixed, spoken=min(as_read.spoken, told.spoken))


def _weigh(
    cams: tuple[MeasuredCam, ...], repeat_deg: float, crank_turned_deg: tuple[float, ...]
) -> tuple[tuple[TeethBelief, ...], float]:
    """Posterior of every cam with each phaser for itself, and the density of all that was measured."""
    pitches = sorted({round(tooth_pitch_deg(c.pattern.stages), 6) for c in cams if c.pattern.stages})
    s, weight, way, place = references(
        round(repeat_deg, 6), tuple(pitches), tuple(round(d, 3) for d in crank_turned_deg)
    )
    banks: dict[str, list[int]] = {}
    for i, cam in enumerate(cams):
        banks.setdefault(cam.pattern.bank, []).append(i)
    shared = {b: jumps_of(cams[mine[0]].pattern.stages, BANK_JUMP, EARLIER_OF_BANK) for b, mine in banks.items()}
    tables = [_cam_tables(cam, shared[cam.pattern.bank], s) for cam in cams]  # each (T, W, B, K, S)
    given = [t.sum(axis=(0, 3)) for t in tables]  # (W, B, S)
    prior = {b: wear_prior()[1][:, None] * jumps.prior[None, :] for b, jumps in shared.items()}  # (W, B)
    by_bank = {
        b: np.einsum("wb,wbs->s", prior[b], np.prod([given[i] for i in mine], axis=0)) for b, mine in banks.items()
    }
    posterior_s = weight * np.prod(list(by_bank.values()), axis=0)
    norm = max(float(posterior_s.sum()), 1e-300)
    crank_turned = tuple(float(posterior_s[way == k + 1].sum() / norm) for k in range(len(crank_turned_deg)))
    astray = np.abs(s - repeat_deg * np.round(s / repeat_deg)) > LOST_DEG
    lost = float(posterior_s[astray & (way == 0)].sum() / norm)
    places = tuple(
        (float(m * repeat_deg), p) for m in np.unique(place) if (p := float(posterior_s[place == m].sum() / norm)) > 0.0
    )
    out = []
    for i, cam in enumerate(cams):
        bank = cam.pattern.bank
        siblings = [given[j] for j in banks[bank] if j != i]
        rest = prior[bank][:, :, None] * np.prod([np.ones_like(given[i]), *siblings], axis=0)  # (W, B, S)
        others = weight * np.prod([np.ones(len(s)), *(v for b, v in by_bank.items() if b != bank)], axis=0)
        both = np.einsum("wbs,twbks,s->tbk", rest, tables[i], others, optimize=True) / norm
        belief = _belief(cam, shared[bank], both.sum(axis=0))
        turned = float(both[1:].sum() / both.sum())
        out.append(
            replace(
                belief,
                reference_lost=lost,
                reference_deg=float(s[posterior_s.argmax()]),
                turned=turned,
                crank_turned=crank_turned,
                places=places,
            )
        )
    return tuple(out), norm


def _own_jumps(cam: MeasuredCam) -> Jumps:
    return jumps_of(cam.pattern.stages, CAM_JUMP, EARLIER_OF_CAM)


def _cam_tables(cam: MeasuredCam, shared: Jumps, s: Floats) -> Floats:
    """(T, W, B, K, S): likelihood times own-jump prior, for each wear, shared jump, own jump and reference error.

    T is 1, or 2 where the signal may be upside down.
    """
    own = _own_jumps(cam)
    shift = shared.shift_deg[:, None] + own.shift_deg[None, :]  # (B, K)
    late = wear_prior()[0][:, None, None, None]
    either = [(1.0, cam.offset_deg)]
    if cam.turned_deg is not None:
        either = [(1.0 - TURNED_WEIGHT, cam.offset_deg), (TURNED_WEIGHT, cam.turned_deg)]
    tables = []
    for weight, offset in either:
        x = offset - shift[None, :, :, None] - s[None, None, None, :]
        like = (1.0 - ADRIFT_WEIGHT) * density(x - late, cam) * own.prior[None, None, :, None]
        tables.append(weight * (like + _adrift(x, cam, shared, own)))
    return np.stack(tables)


def _adrift(x: Floats, cam: MeasuredCam, shared: Jumps, own: Jumps) -> Floats:
    """What nothing explains, shared by nearness alone: half way between two teeth it must not favour staying put."""
    if not cam.pattern.stages:
        return np.full_like(x, ADRIFT_WEIGHT / ADRIFT_SPAN_DEG)
    pitch = tooth_pitch_deg(cam.pattern.stages)
    last = (own.stage == 0) | (own.stage == len(cam.pattern.stages))
    near = np.maximum(0.0, 1.0 - np.abs(x) / pitch) * last[None, None, :, None]
    near[:, shared.stage != 0] = 0.0
    return np.asarray(ADRIFT_WEIGHT * near / ADRIFT_SPAN_DEG)


def _belief(cam: MeasuredCam, shared: Jumps, both: Floats) -> TeethBelief:
    """Marginals of one cam from its (B, K) posterior over shared and own jumps."""
    stages = cam.pattern.stages
    if not stages:
        return TeethBelief(None, {}, 0)
    own = _own_jumps(cam)
    both = both / both.sum()
    prior = shared.prior[:, None] * own.prior[None, :]
    total: dict[int, float] = {}
    before: dict[int, float] = {}
    on = np.zeros(len(stages) + 1)
    for b in range(len(shared.teeth)):
        for k in range(len(own.teeth)):
            teeth, stage = _counted(shared, b, own, k)
            total[teeth] = total.get(teeth, 0.0) + float(both[b, k])
            before[teeth] = before.get(teeth, 0.0) + float(prior[b, k])
            on[stage] += both[b, k]
    likeliest = max(total, key=lambda t: total[t])
    stage = int(on[1:].argmax()) + 1 if on[1:].max() > on[0] * 1e-3 else len(stages)
    kept = {t: p for t, p in sorted(total.items()) if p >= 1e-4 or abs(t) <= 1}
    return TeethBelief(
        pitch_deg=tooth_pitch_deg(stages, stage - 1),
        probability=kept,
        stage=stage,
        other_stage=float(on[1:].sum() - on[stage]),
        spoken=_odds(total[likeliest]) / _odds(before[likeliest]),
    )


def _counted(shared: Jumps, b: int, own: Jumps, k: int) -> tuple[int, int]:
    """Teeth and stage of a pair of jumps: on one stage they add; on two, which is rare, the later one is reported."""
    first, second = int(shared.stage[b]), int(own.stage[k])
    if first == second or first == 0 or second == 0:
        return int(shared.teeth[b] + own.teeth[k]), max(first, second)
    return (int(shared.teeth[b]), first) if first > second else (int(own.teeth[k]), second)


def _odds(p: float) -> float:
    return p / max(1.0 - p, 1e-12)

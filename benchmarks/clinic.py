"""Simulated clinics: are the causes right, are their probabilities honest, and do the proposed tests save time?

    python benchmarks/clinic.py --vehicles 2000 --seed 1
    python benchmarks/clinic.py --vehicles 300 --seed 1 --minutes

Vehicles come from ``drawn_vehicles.py``, a fault model of its own. Prints figures; ``--plot F.svg`` draws the
reliability diagram.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from drawn_vehicles import CAUSE, Clinic, Fault, Vehicle, draw_clinic, draw_vehicle
from tightside.causes.evidence import Known, weigh
from tightside.causes.infer import Cause, causes_of, posterior_of

PER_CLINIC = 50
MEASURED_CYCLES = 10


@dataclass(frozen=True)
class Row:
    """One cam of one vehicle: the truth, what was said, and whether the evidence suffices to say it."""

    vehicle: int
    cam: str
    truth: str
    said: tuple[Cause, ...]
    suffices: bool
    faults: int

    @property
    def top(self) -> Cause:
        """The most probable cause."""
        return self.said[0]

    @property
    def right(self) -> bool:
        """Whether it is the true one."""
        return self.top.cause == self.truth


def known(v: Vehicle) -> Known:
    """What the program is told of a vehicle."""
    return Known(
        cams=v.measured,
        patterns=v.patterns,
        phasers=v.phasers,
        codes=v.codes,
        codes_read=v.codes_read,
        crank_odd_share=v.crank_odd_share,
        observations=v.observations.model_copy(update={"cams": v.cams, "phasers": v.phased, "complaint": True}),
        cylinder_banks=v.cylinder_banks,
    )


# ------------------------------------------------------------ where the evidence suffices, in the generator's own terms


def suffices(v: Vehicle, cam: str) -> bool:
    """Whether what is in hand shows this cam's true cause to anyone who reads it well.

    Only the generator's truth is asked: sizes of faults, what was recorded, which codes came. A recording must be
    there, and no second fault on the same cam may cover the first. Each rule says what then sets the cause apart.
    """
    measured = next((m for m in v.measured if m.cam == cam), None)
    mine = v.faults_of(cam)
    if measured is None or len(mine) > 1:
        return False
    if measured.cycles >= MEASURED_CYCLES and _told_elsewhere(v, cam, mine, measured.offset_deg):
        return False
    if not mine:
        named = any(c.cam == cam for c in v.codes)  # a code of other origin names it
        return measured.cycles >= MEASURED_CYCLES and abs(v.offset_deg[cam]) < 3.0 and not named
    return _fault_shows(v, cam, mine[0], measured.cycles)


def _told_elsewhere(v: Vehicle, cam: str, faults: tuple[Fault, ...], measured_deg: float | None) -> bool:
    """Whether its phaser was told to be elsewhere while it was recorded."""
    if measured_deg is None or any(f.kind in ("phaser_loose", "cam_signal", "crank_signal") for f in faults):
        return False
    return abs(measured_deg - v.offset_deg[cam]) > 2.0


def _fault_shows(v: Vehicle, cam: str, fault: Fault, cycles: int) -> bool:
    log = next((p for p in v.phasers if p.cam == cam), None)
    codes = {c.code for c in v.codes if c.cam in (cam, None)}
    x, judged = v.offset_deg[cam], cycles >= MEASURED_CYCLES
    tooth = abs(x / v.pitch_deg - round(x / v.pitch_deg)) * v.pitch_deg
    position = bool(codes & {c.code for c in v.codes if c.kind == "position"})
    follows_badly = log is not None and log.follows is not None and log.follows < 0.6
    match fault.kind:
        case "chain_slipped":  # near a whole tooth; early, a phaser of wide reach must be known to be sound or absent
            return judged and tooth < 3.0 and (x > 0 or cam not in v.phased or log is not None)
        case "chain_worn":  # late by more than tolerances, on both cams of the bank, and another bank that is not
            return judged and fault.size >= 4.5 and len(v.cams) == 4
        case "phaser_loose":
            return judged and fault.size >= 2.5
        case "phaser_stuck":  # a log in which it does not move
            return log is not None and log.follows is not None
        case "oil_control":  # its valve's circuit stores a code, or a log shows it move, but late or by less
            slow = log is not None and log.response_s is not None and log.response_s > 1.0
            still = log is not None and log.follows is not None and log.follows < 0.25
            return ("actuator" in {_family(c) for c in codes} and not still) or (slow and not follows_badly)
        case "oil_low":  # the oil itself is seen to be short, and a log shows the phaser answer late
            oil = v.observations.oil
            short = oil.level == "low" or (oil.pressure_kpa is not None and oil.pressure_kpa < 80.0)
            late = log is not None and log.response_s is not None and log.response_s > 0.6
            return short and late and not position
        case "cam_signal":  # nothing comes, and a code says the same; and nothing speaks of a broken drive
            told = "sensor" in {_family(c) for c in codes}
            return told and (not judged) and v.observations.starts is not False
        case "crank_signal":
            return fault.size >= 0.01 and "P0335" in {c.code for c in v.codes}
        case "drive_broken":  # nothing comes, and the engine is dead or does not compress
            return not judged and v.observations.starts is False and bool(v.observations.compression_kpa)
        case "reference_off":  # all cams off alike, not by a tooth, and at least three of them
            return judged and len(v.cams) >= 3 and abs(fault.size) >= 6.0 and tooth > 3.0
        case _:  # one cam off, beyond wear, not by a tooth, on the side where no phaser could have put it
            return judged and tooth > 4.0 and x > 9.0
    return False


def _family(code: str) -> str:
    actuators = ("P0010", "P0013", "P0020", "P0023")
    return "actuator" if code in actuators else "sensor" if code[:3] == "P03" and code[3] in "4569" else ""


# --------------------------------------------------------------------------------------------------------------- runs


def vehicles(count: int, seed: int, *, two: bool = False) -> Iterator[tuple[Clinic, Vehicle]]:
    """Vehicles of as many clinics as it takes; ``two``: each with two faults."""
    rng = np.random.default_rng([seed, int(two)])
    for i in range(count):
        if i % PER_CLINIC == 0:
            clinic = draw_clinic(rng)
            clinic = replace(clinic, two_faults=1.0, none=0.0) if two else clinic
        yield clinic, draw_vehicle(clinic)


def run(count: int, seed: int) -> list[Row]:
    """Every cam of every vehicle, judged."""
    rows = []
    for i, (_, v) in enumerate(vehicles(count, seed)):
        weighed = weigh(known(v))
        posterior = posterior_of(weighed.hypotheses, weighed.findings)
        for cam in v.cams:
            said = causes_of(weighed.hypotheses, posterior, cam)
            rows.append(Row(i, cam, v.cause_of(cam), said, suffices(v, cam), len(v.faults)))
    return rows


def two_faults_found(count: int, seed: int) -> tuple[int, int]:
    """(found, all) vehicles with two faults, the evidence sufficing for each of them on a cam of its own.

    Found is a fault that is the most probable cause there, or said to be present with at least one half.
    """
    found = total = 0
    for _, v in vehicles(count, seed, two=True):
        shown = [_cams_that_show(v, f) for f in v.faults]
        if not all(shown):
            continue
        weighed = weigh(known(v))
        posterior = posterior_of(weighed.hypotheses, weighed.findings)
        total += 1
        said = {cam: causes_of(weighed.hypotheses, posterior, cam) for cam in v.cams}
        found += all(any(_is_said(f, said[cam]) for cam in cams) for f, cams in zip(v.faults, shown, strict=True))
    return found, total


def _is_said(fault: Fault, said: tuple[Cause, ...]) -> bool:
    cause = CAUSE.get(fault.kind, fault.kind)
    return said[0].cause == cause or any(c.cause == cause and c.present >= 0.5 for c in said)


def _cams_that_show(v: Vehicle, fault: Fault) -> list[str]:
    return [c for c in v.cams if v.faults_of(c) == (fault,) and suffices(v, c)]


def calibration(pairs: Sequence[tuple[float, bool]], bins: int = 10) -> tuple[float, list[tuple[float, float, int]]]:
    """Expected calibration error and (mean probability, share right, count) of each bin."""
    p = np.array([a for a, _ in pairs])
    right = np.array([b for _, b in pairs], dtype=float)
    at = np.minimum((p * bins).astype(int), bins - 1)
    out, error = [], 0.0
    for b in range(bins):
        mine = at == b
        if mine.any():
            out.append((float(p[mine].mean()), float(right[mine].mean()), int(mine.sum())))
            error += abs(out[-1][0] - out[-1][1]) * mine.mean()
    return float(error), out


def top_pairs(rows: Sequence[Row]) -> list[tuple[float, bool]]:
    """Each cam's most probable cause: its probability, and whether it is right."""
    return [(r.top.probability, r.right) for r in rows]


def all_pairs(rows: Sequence[Row]) -> list[tuple[float, bool]]:
    """Every cause of every cam."""
    return [(c.probability, c.cause == r.truth) for r in rows for c in r.said]


def sure_and_wrong(rows: Sequence[Row], faults_only: bool = False) -> tuple[int, int]:
    """(wrong, all) of the causes said with at least 0.95."""
    sure = [r for r in rows if r.top.probability >= 0.95 and not (faults_only and r.top.cause == "in_time")]
    return sum(not r.right for r in sure), len(sure)


def report(rows: Sequence[Row]) -> str:
    """The figures, as text."""
    enough = [r for r in rows if r.suffices]
    faulty = [r for r in enough if r.truth != "in_time"]
    ece_top, bins = calibration(top_pairs(rows))
    ece_all, _ = calibration(all_pairs(rows))
    wrong, sure = sure_and_wrong(rows)
    wrong_f, sure_f = sure_and_wrong(rows, faults_only=True)
    lines = [
        f"cams {len(rows)}, evidence suffices for {len(enough)}, of them faulty {len(faulty)}",
        f"top cause right where it suffices: {share(enough)}, of the faulty {share(faulty)}; of all cams {share(rows)}",
        f"expected calibration error: top cause {ece_top:.3f}, every cause {ece_all:.3f}",
        f"said with 0.95 and wrong: {wrong} of {sure}; faults alone {wrong_f} of {sure_f}",
        "probability, share right, count: " + ", ".join(f"{p:.2f} {r:.2f} {n}" for p, r, n in bins),
    ]
    for truth in dict.fromkeys(r.truth for r in rows):
        mine = [r for r in enough if r.truth == truth]
        misses = Counter(r.top.cause for r in mine if not r.right).most_common(3)
        sure = [r for r in rows if r.top.cause == truth and r.top.probability >= 0.95]
        lines.append(
            f"  {truth:16s} said with 0.95 {len(sure):4d}, wrong {sum(not r.right for r in sure):2d}; "
            f"suffices {len(mine):4d}, right {share(mine)}, taken for {misses}"
        )
    return "\n".join(lines)


def share(rows: Sequence[Row]) -> str:
    """ "97.1 %"."""
    return f"{100 * np.mean([r.right for r in rows]):.1f} %" if rows else "-"


def plot(rows: Sequence[Row], target: Path) -> None:
    """The reliability diagram: how often a cause is right that is said with so much."""
    import matplotlib as mpl

    mpl.use("Agg")
    mpl.rcParams["svg.hashsalt"] = "clinic"
    from matplotlib import pyplot as plt

    error, bins = calibration(top_pairs(rows))
    said, right, count = (np.array(column) for column in zip(*bins, strict=True))
    spread = 1.96 * np.sqrt(np.maximum(right * (1 - right), 1e-3) / count)
    figure, (upper, lower) = plt.subplots(
        2, 1, figsize=(6.4, 7.2), height_ratios=(4, 1), sharex=True, layout="constrained"
    )
    upper.plot([0, 1], [0, 1], color="#777777", linestyle="--", linewidth=1, label="honest")
    upper.errorbar(said, right, spread, color="#0b5a8a", marker="o", capsize=3, label="most probable cause of each cam")
    upper.set(ylabel="share that is right", xlim=(0, 1), ylim=(0, 1), title=f"Expected calibration error {error:.3f}")
    upper.legend(loc="upper left", frameon=False)
    lower.bar(said, count, width=0.06, color="#0b5a8a")
    lower.set(xlabel="probability that was said", ylabel="cams")
    figure.savefig(target, metadata={"Date": None} if target.suffix == ".svg" else None)


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--vehicles", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--plot", type=Path, help="write the reliability diagram here (.svg or .png)")
    arguments = parser.parse_args()
    rows = run(arguments.vehicles, arguments.seed)
    print(report(rows), flush=True)
    if arguments.plot:
        plot(rows, arguments.plot)
    found, total = two_faults_found(arguments.vehicles // 2, arguments.seed)
    print(f"two faults at once: both found in {found} of {total}")


if __name__ == "__main__":
    main()

"""How well the verdict does on simulated recordings, and how the plain script does on the same ones: one table.

    python benchmarks/accuracy.py --count 300 --seed 1 --workers 2
    python benchmarks/accuracy.py --only 1000017

A case's number is ``seed * 1000000 + k``; each bad case is listed with its number, so that it can be replayed.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from drawn_cases import Case, draw_case
from tightside.records import CamOffset, CamPattern, Recording, WheelPattern, tooth_pitch_deg
from tightside.twin.scene import CamTruth, Truth
from tightside.twin.simulate import simulate

SURE = 0.9
SPARSE_DEG = 0.3
SAME_PLACE_DEG = 3.0  # two places of a pattern nearer than this are one
AS_WELL_DEG = 12.0  # another place fits as well if the cams are then off by no more than this in sum
OTHER_STAGE_DEG = 2.5  # so near, a slip on one stage looks like one on another
SEEN_ERRATIC_DEG = 1.5  # a loose phaser that moved by less from cycle to cycle is nobody's to flag ...
SEEN_ERRATIC_CYCLES = 5  # ... nor in fewer cycles
BETWEEN_TEETH = 0.3  # of a pitch: worn or stuck by more, the position alone names no tooth
LOOK_ALIKE_DEG = 1.5  # a stuck phaser or a moved wheel this near a whole tooth looks like a slip


@dataclass(frozen=True)
class Said:
    """What one judge said of one cam."""

    offset_deg: float | None = None
    ci95_deg: tuple[float, float] | None = None
    call: int | None = None
    probability: float = 0.0
    erratic: bool = False
    note: str = ""


@dataclass(frozen=True)
class Row:
    """One cam of one case: the truth, and what was said."""

    number: int
    cam: str
    running: bool
    mode: str
    truth_deg: float
    teeth: int
    seen_erratic: bool
    steady: bool  # neither loose nor moving: has an offset to be held to
    reason: str  # why nobody could call it, or ""
    look_alike: bool
    placed: bool  # the reference is good and the cam has signal: offset and interval count
    sparse: bool  # fewer than two crank pulses to a compression: the speed between them cannot be followed
    said: dict[str, Said] = field(default_factory=dict)

    def line(self, judge: str) -> str:
        s = self.said[judge]
        off = "none" if s.offset_deg is None else f"{s.offset_deg:+.3f}"
        interval = "" if s.ci95_deg is None else f" [{s.ci95_deg[0]:+.3f}, {s.ci95_deg[1]:+.3f}]"
        return (
            f"  {self.number} {self.cam} {self.mode}: true {self.truth_deg:+.3f} deg, {self.teeth:+d} teeth; said {off}"
            f"{interval}, {s.call} p={s.probability:.2f}{' erratic' if s.erratic else ''}"
            f"{' (' + self.reason + ')' if self.reason else ''} {s.note}"
        )


Judge = Callable[[Recording, Case], dict[str, Said]]


# ---------------------------------------------------------------------------------------------------- the judges


def judge_ours(recording: Recording, case: Case) -> dict[str, Said]:
    """The package, from a recording in memory to its verdict."""
    from tightside.pipeline import diagnose_recording

    cams = diagnose_recording(recording, case.subject.wheel, case.subject.cams).cams
    return {c.cam: _said_of(c) for c in cams}


def _said_of(cam: CamOffset) -> Said:
    probability = dict(cam.teeth).get(cam.teeth_call, 0.0) if cam.teeth_call is not None else 0.0
    note = cam.state + ("; " + cam.notes[0] if cam.notes else "")
    return Said(cam.offset_deg, cam.ci95_deg, cam.teeth_call, probability, cam.state == "erratic", note)


def judge_plain(recording: Recording, case: Case) -> dict[str, Said]:
    """The afternoon's script."""
    from plain_script import judge_timing

    kinds = {c.cam: case.subject.kind_of(c.cam) for c in case.subject.cams}
    found = judge_timing(recording, case.subject.wheel, case.subject.cams, kinds)
    return {
        o.cam: Said(o.offset_deg, o.ci95_deg, o.teeth_call, o.teeth.get(o.teeth_call or 0, 0.0), o.erratic)
        for o in found
    }


JUDGES: dict[str, Judge] = {"tightside": judge_ours, "plain script": judge_plain}


def run_case(job: tuple[int, tuple[str, ...], bool]) -> list[Row]:
    """All cams of one case, under each judge. A judge that crashes has said nothing, and that is written down."""
    number, names, clean = job
    case = draw_case(number, clean=clean)
    recording, truth = simulate(case.subject, case.scenario, np.random.default_rng([104729, number]))
    said: dict[str, dict[str, Said]] = {}
    for name in names:
        try:
            said[name] = JUDGES[name](recording, case)
        except Exception:  # a crash is a result of the benchmark
            last = traceback.format_exc().strip().splitlines()
            crash = Said(note=f"CRASH {last[-1]} at {last[-3].strip() if len(last) > 2 else ''}"[:240])
            said[name] = {c.cam: crash for c in case.subject.cams}
    return [
        _row(case, truth, c, {n: s.get(c.cam, Said(note="not mentioned")) for n, s in said.items()}) for c in truth.cams
    ]


# ----------------------------------------------------------------------------------- what physics allows to be said


def _row(case: Case, truth: Truth, cam: CamTruth, said: dict[str, Said]) -> Row:
    pattern = next(c for c in case.subject.cams if c.cam == cam.cam)
    unplaced = why_unplaced(case, truth, cam, pattern)
    moving = "moving" in cam.causes
    return Row(
        number=case.number,
        cam=cam.cam,
        running=case.running,
        mode=f"{case.scenario.running.mode} {case.subject.wheel.name} {case.subject.wheel.kind}",
        truth_deg=cam.offset_deg,
        teeth=_slipped(case, cam, pattern),
        seen_erratic=cam.erratic
        and cam.scatter_deg >= SEEN_ERRATIC_DEG
        and len(cam.cycle_times_s) >= SEEN_ERRATIC_CYCLES,
        steady=not cam.erratic and not moving,
        reason=unplaced or why_no_tooth(case, truth, cam, pattern),
        look_alike=_looks_alike(truth, cam, pattern),
        placed=not unplaced,
        sparse=ripple_unseen_deg(case) > SPARSE_DEG,
        said=said,
    )


def _slipped(case: Case, cam: CamTruth, pattern: CamPattern) -> int:
    """Teeth that slipped, on whichever stage."""
    faults = case.scenario.faults
    return round(sum(f.value for f in faults if f.kind == "slip" and f.hits(cam.cam))) or cam.teeth


def why_unplaced(case: Case, truth: Truth, cam: CamTruth, pattern: CamPattern) -> str:
    """Why nobody could tell this cam's offset from this recording, or ""."""
    if cam.signal_share < 0.1 or len(cam.cycle_times_s) < 2:
        return "no signal" if cam.signal_share < 0.1 else "less than two cycles"
    wheel, recorder = case.subject.wheel, case.scenario.recorder
    crank = case.scenario.sensor_of("crank")
    if truth.crank_shift_deg:
        return "the crank reference itself is off"
    if crank.swapped and (wheel.kind == "hall" or recorder.kind == "edges"):
        return "crank signal inverted: which edge is which cannot be seen"
    if len(truth.cams) == 1 and wheel.repeat_deg < 45.0:
        return "even wheel and one cam: nothing to hold the cam against"
    if fits_elsewhere(case, truth, cam.cam):
        return "wheel or cam pattern repeats: another place fits as well"
    sensor = case.scenario.sensor_of(f"cam:{cam.cam}")
    one_polarity = len(set(pattern.rising.tolist())) == 1
    cam_coil = case.subject.kind_of(cam.cam) == "vr"
    if sensor.swapped and one_polarity and (not cam_coil or recorder.kind == "edges"):
        return "cam signal inverted, and one polarity listed: which edge is which cannot be seen"
    return _why_too_coarse(case, truth, cam)


def fits_elsewhere(case: Case, truth: Truth, cam: str) -> bool:
    """Whether all cams together would stand as near to nominal, or nearly, with the wheel or a cam's own pattern turned
    to another of its places, and this cam with another offset."""
    seen = [c for c in truth.cams if c.signal_share > 0.1 and len(c.cycle_times_s)]
    patterns = {p.cam: p for p in case.subject.cams}
    repeat = case.subject.wheel.repeat_deg
    said = sum(abs(c.offset_deg) for c in seen)
    for k in range(round(720.0 / repeat)):
        fits = [_places(patterns[c.cam], c.offset_deg, k * repeat) for c in seen]
        if not all(fits):
            continue
        nearest = {c.cam: min(f, key=abs) for c, f in zip(seen, fits, strict=True)}
        this = next(c.offset_deg for c in seen if c.cam == cam)
        if abs(nearest[cam] - this) > SAME_PLACE_DEG and sum(map(abs, nearest.values())) <= said + AS_WELL_DEG:
            return True
    return False


def _places(pattern: CamPattern, offset_deg: float, turn_deg: float) -> list[float]:
    """Offsets within 90 deg that, the wheel turned, put every edge on one of its kind in the pattern at its place."""
    edges, rising = pattern.edges_deg, pattern.rising
    found = []
    for j in np.flatnonzero(rising == rising[0]):
        shift = (edges[j] + offset_deg - edges[0] - turn_deg + 360.0) % 720.0 - 360.0
        moved = (edges + shift + turn_deg - offset_deg) % 720.0
        away = np.abs((moved[:, None] - edges[None, :] + 360.0) % 720.0 - 360.0)
        away[rising[:, None] != rising[None, :]] = 360.0
        if abs(shift) < 90.0 and away.min(axis=1).max() < SAME_PLACE_DEG:
            found.append(float(shift))
    return found


def ripple_unseen_deg(case: Case) -> float:
    """Angle by which the crank runs ahead of and behind its mean between two of its pulses, unseen. [deg]

    A ripple of the speed with a period of 720 / cylinders and a share s from peak to peak moves the angle by
    s * period / (4 pi); pulses further apart than half a period do not show it (sampling theorem). Idle swings less.
    """
    angles = case.subject.wheel.angles_deg
    widest = float(np.max(np.diff(angles, append=angles[0] + 360.0)))
    period = 720.0 / case.subject.cylinders
    swing = case.scenario.running.swing if case.scenario.running.mode in ("cranking", "restart", "start") else 0.1
    return swing * period / (4 * np.pi) if widest > period / 2 else 0.0


def _why_too_coarse(case: Case, truth: Truth, cam: CamTruth) -> str:
    """Teeth faster than the recorder, or signals under its noise."""
    wheel, recorder = case.subject.wheel, case.scenario.recorder
    crank, sensor = case.scenario.sensor_of("crank"), case.scenario.sensor_of(f"cam:{cam.cam}")
    pitch_deg = float(np.min(np.diff(wheel.angles_deg, append=wheel.angles_deg[0] + 360.0)))
    shorter = pitch_deg * (min(crank.duty, 1 - crank.duty) if wheel.kind == "hall" else 0.4)
    step_s = 1.0 / recorder.rate_hz if recorder.kind == "sampled" else recorder.resolution_s
    if shorter / (6.0 * truth.rpm[2]) < 2.0 * step_s:
        return "sampled too slowly for the crank wheel's teeth"
    noise = recorder.noise_v + (recorder.brush_v if not case.running else 0.0)
    noise = max(noise, recorder.span_v / 2 ** (recorder.bits - 1))
    for kind, s in ((wheel.kind, crank), (case.subject.kind_of(cam.cam), sensor)):
        least = 0.0 if recorder.kind == "edges" else 8.0 * noise
        if kind == "vr" and s.coil_v_per_krpm * truth.rpm[1] / 1e3 < max(least, 0.3):
            return "coil too weak at this speed"
        if kind == "hall" and recorder.kind == "sampled" and s.high_v - s.low_v < 8.0 * noise:
            return "Hall signal under the noise"
    return ""


def why_no_tooth(case: Case, truth: Truth, cam: CamTruth, pattern: CamPattern) -> str:
    """Why the offset, though known, names no whole tooth, or ""."""
    if cam.erratic:
        return "loose phaser: no one place"
    if "moving" in cam.causes or "stuck" in cam.causes:
        return "the phaser is away from park"
    pitch = tooth_pitch_deg(pattern.stages)
    if ripple_unseen_deg(case) > 0.15 * pitch:
        return "too few crank pulses to follow the speed between them"
    if "wear" in cam.causes and abs(cam.offset_deg / pitch - round(cam.offset_deg / pitch)) > BETWEEN_TEETH:
        return "worn to between two teeth"
    if _slipped(case, cam, pattern) and _other_stage(case, cam, pattern):
        return "as well a slip on another stage"
    offs = np.array([c.offset_deg for c in truth.cams])
    if len(offs) > 1 and np.ptp(offs) < LOOK_ALIKE_DEG and abs(cam.offset_deg) > 0.5 * pitch:
        return "all cams off alike: slip or crank reference"
    return ""


def _other_stage(case: Case, cam: CamTruth, pattern: CamPattern) -> bool:
    """Whether so far off could be another number of teeth on some stage, or they are not of the stage that counts."""
    if any(f.stage == 1 and f.hits(cam.cam) for f in case.scenario.faults if f.kind == "slip"):
        return len(pattern.stages) > 1
    others = [tooth_pitch_deg(pattern.stages, k) for k in range(len(pattern.stages) - 1)]
    count = _slipped(case, cam, pattern)
    near = {k for p in others for k in range(-4, 5) if abs(cam.offset_deg - k * p) < OTHER_STAGE_DEG}
    return bool(near - {count})


def _looks_alike(truth: Truth, cam: CamTruth, pattern: CamPattern) -> bool:
    """Whether a stuck phaser or a moved crank wheel stands where a slipped tooth would have put the cam."""
    seen = cam.offset_deg - truth.crank_shift_deg
    strange = bool(truth.crank_shift_deg) or "stuck" in cam.causes
    pitches = {tooth_pitch_deg(pattern.stages, k) for k in range(len(pattern.stages))}
    return strange and any(abs(seen - round(seen / p) * p) < LOOK_ALIKE_DEG for p in pitches)


# ------------------------------------------------------------------------------------------------------ the table


def is_wrong(row: Row, said: Said) -> bool:
    return said.call is not None and said.call != row.teeth and not row.look_alike and bool(np.isfinite(row.truth_deg))


def figures(rows: Sequence[Row], judge: str) -> dict[str, float]:
    """The table's row of one judge."""
    pairs = [(r, r.said[judge]) for r in rows]
    callable_ = [(r, s) for r, s in pairs if not r.reason]
    held = [(r, s) for r, s in pairs if r.placed and r.steady and s.offset_deg is not None]
    bounded = [(r, s) for r, s in held if s.ci95_deg is not None]
    loose = [s for r, s in pairs if r.seen_erratic and r.placed]
    still = [s for r, s in pairs if r.steady and r.placed]
    unsettled = [(r, s) for r, s in pairs if r.placed and not r.steady and s.ci95_deg is not None]

    def errors(running: bool) -> list[float]:
        here = [(r, s) for r, s in held if r.running == running and not r.sparse]
        return [abs((s.offset_deg or 0.0) - r.truth_deg) for r, s in here]

    return {
        "callable cams": len(callable_),
        "call right %": 100 * _mean([s.call == r.teeth for r, s in callable_]),
        "wrong at p>=0.9": sum(is_wrong(r, s) and s.probability >= SURE for r, s in pairs),
        "wrong at any p": sum(is_wrong(r, s) for r, s in pairs),
        "not called %": 100 * _mean([s.call is None for _, s in callable_]),
        "CI95 covers %": 100 * _mean([_covers(r, s) for r, s in bounded]),
        "CI95 covers, moving %": 100 * _mean([_covers(r, s) for r, s in unsettled]),
        "half width deg": _median([(s.ci95_deg[1] - s.ci95_deg[0]) / 2 for _, s in bounded if s.ci95_deg]),
        "error running deg": _mean(errors(True)),
        "error cranking deg": _mean(errors(False)),
        "median error running deg": _median(errors(True)),
        "median error cranking deg": _median(errors(False)),
        "erratic flagged %": 100 * _mean([s.erratic for s in loose]),
        "false erratic %": 100 * _mean([s.erratic for s in still]),
        "crashes": len({r.number for r, s in pairs if s.note.startswith("CRASH")}),
    }


def _covers(row: Row, said: Said) -> bool:
    return said.ci95_deg is not None and said.ci95_deg[0] <= row.truth_deg <= said.ci95_deg[1]


def _mean(values: Iterable[float]) -> float:
    found = list(values)
    return float(np.mean(found)) if found else float("nan")


def _median(values: Iterable[float]) -> float:
    found = list(values)
    return float(np.median(found)) if found else float("nan")


def table(rows: Sequence[Row], judges: Sequence[str]) -> str:
    by_judge = {j: figures(rows, j) for j in judges}
    reasons: dict[str, int] = {}
    for row in rows:
        if row.reason:
            reasons[row.reason] = reasons.get(row.reason, 0) + 1
    lines = [
        f"{len({r.number for r in rows})} recordings, {len(rows)} cams",
        f"{'':24}" + "".join(f"{j:>16}" for j in judges),
    ]
    for name in next(iter(by_judge.values())):
        lines.append(f"{name:24}" + "".join(f"{_shown(by_judge[j][name]):>16}" for j in judges))
    lines.append(
        "not callable by physics: " + "; ".join(f"{n} {k}" for k, n in sorted(reasons.items(), key=lambda x: -x[1]))
    )
    return "\n".join(lines)


def _shown(value: float) -> str:
    return "none" if np.isnan(value) else (str(value) if isinstance(value, int) else f"{value:.3f}")


def worst(rows: Sequence[Row], judge: str, most: int) -> str:
    """The cases to look at: sure and wrong, crashed, missed, and far off."""

    def badness(row: Row) -> float:
        s = row.said[judge]
        score = 1000.0 * (is_wrong(row, s) and s.probability >= SURE) + 800.0 * s.note.startswith("CRASH")
        score += 500.0 * (not row.reason and s.call not in (row.teeth, None))
        score += 200.0 * (not row.reason and s.call is None)
        score += 150.0 * (row.seen_erratic and row.placed and not s.erratic)
        score += 150.0 * (row.steady and row.placed and s.erratic)
        if row.placed and row.steady and s.offset_deg is not None:
            score += min(abs(s.offset_deg - row.truth_deg), 50.0) + 0.1 * (not _covers(row, s))
        return score

    ranked = sorted(rows, key=badness, reverse=True)[:most]
    return "\n".join([f"worst for {judge}:"] + [r.line(judge) for r in ranked if badness(r) > 0.15])


# ---------------------------------------------------------------------------------------------------------- command


def run_all(numbers: Sequence[int], judges: tuple[str, ...], workers: int = 1, *, clean: bool = False) -> list[Row]:
    jobs = [(n, judges, clean) for n in numbers]
    if workers <= 1:
        return [row for job in jobs for row in run_case(job)]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return [row for rows in pool.imap(run_case, jobs, chunksize=4) for row in rows]


def numbers_of(seed: int, count: int) -> list[int]:
    return [seed * 1_000_000 + k for k in range(count)]


def options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", type=int, nargs="+", help="case numbers to replay")
    parser.add_argument("--judge", choices=["both", "tightside", "plain"], default="both")
    parser.add_argument("--worst", type=int, default=25, help="how many bad cases to list")
    parser.add_argument("--clean", action="store_true", help="good sensors and recorders only")
    parser.add_argument("--json", help="also write figures and rows here")
    return parser.parse_args(arguments)


def main(arguments: Sequence[str] | None = None) -> None:
    chosen = options(arguments)
    judges = {"both": tuple(JUDGES), "tightside": ("tightside",), "plain": ("plain script",)}[chosen.judge]
    begin = time.perf_counter()
    numbers = chosen.only or numbers_of(chosen.seed, chosen.count)
    rows = run_all(numbers, judges, 1 if chosen.only else chosen.workers, clean=chosen.clean)
    if chosen.only:
        for number in chosen.only:
            print(describe(draw_case(number, clean=chosen.clean)))
            print("\n".join(f"{j}:{r.line(j)}" for r in rows if r.number == number for j in judges))
        return
    print(table(rows, judges))
    for judge in judges:
        print(worst(rows, judge, chosen.worst))
    print(f"{time.perf_counter() - begin:.0f} s")
    if chosen.json:
        found: dict[str, Any] = {j: figures(rows, j) for j in judges}
        Path(chosen.json).write_text(
            json.dumps({"figures": found, "rows": [asdict(r) for r in rows]}), encoding="utf-8"
        )


def describe(case: Case) -> str:
    """One case in a few lines."""
    wheel: WheelPattern = case.subject.wheel
    scenario = case.scenario
    return (
        f"case {case.number}: {case.subject.cylinders} cylinders, wheel {wheel.name} {wheel.kind} {wheel.active_edge},"
        f" cams {[(c.cam, len(c.edges_deg), case.subject.kind_of(c.cam)) for c in case.subject.cams]}\n"
        f"  {scenario.running}\n  {scenario.recorder}\n"
        + "\n".join(f"  {role}: {sensor}" for role, sensor in scenario.sensors)
        + "\n"
        + "\n".join(f"  {fault}" for fault in scenario.faults)
    )


if __name__ == "__main__":
    main()

"""How well a crank wheel is learned from a recording alone: random wheels of every kind.

``python benchmarks/wheels.py [--cases N] [--first SEED]``. A wheel counts as learned right when one repeat of its
pattern is right (number of pulses, each in its place) and so is the number of repeats a turn where crank and cam
together tell it; where they cannot (no cam, or one that repeats with the wheel), that must be left open or be right.
Confidently wrong is a turn that was called certain with another number of pulses.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from drawn_wheels import KINDS, WheelCase, draw_wheel_case
from tightside.records import Floats
from tightside.signals.decode import decode
from tightside.signals.learn import Learned

OFF_PITCH = 0.08  # of the mean pitch: how far a pulse may stand from its place ...
OFF_PITCH_NO_GRID = 0.35  # ... on a wheel without a grid, where cranking's swing cannot be told from the wheel
TARGET_SHARE = 0.99


@dataclass(frozen=True)
class WheelResult:
    """What came of one case."""

    case: WheelCase
    name: str
    heard: bool  # the edge finder gave any crank edges
    pattern: bool  # one repeat is right
    right: bool
    certain: bool
    confidently_wrong: bool
    off_pitch: float  # largest error of a pulse's place, in mean pitches


def misplaced(found_deg: Floats, true_deg: Floats) -> float:
    """Largest error of a pulse's place, in mean pitches, turned to fit best; infinite for another count."""
    n = len(true_deg)
    if len(found_deg) != n:
        return float("inf")
    off = []
    for k in range(n):
        difference = np.roll(found_deg, -k) - true_deg
        difference = (difference - difference[0] + 180.0) % 360.0 - 180.0
        off.append(float(np.ptp(difference)) / 2.0)
    return min(off) * n / 360.0


def examine(case: WheelCase) -> WheelResult:
    """Decode one case's recording and hold what was learned against the truth."""
    decoded = decode(case.recording)
    learned = decoded.learned
    if learned is None:
        heard = any(len(t.times_s) > 6 for t in decoded.trains.values())
        return WheelResult(case, "none", heard, False, False, False, False, float("inf"))
    shown = (one_turn(learned, case.wheel.repeats), learned.wheel.angles_deg)
    off = min(misplaced(s, t) for s in shown for t in truths(case))
    pattern = off < (OFF_PITCH if on_grid(case) else OFF_PITCH_NO_GRID)
    counted = learned.wheel.pulses_per_revolution == len(case.wheel.angles_deg)
    told = counted and learned.turns.likely
    right = pattern and (told if case.tellable else told or not learned.turn_certain)
    return WheelResult(
        case, learned.wheel.name, True, pattern, right, learned.turn_certain, learned.turn_certain and not counted, off
    )


def on_grid(case: WheelCase) -> bool:
    """Whether the place of each pulse can be told to a share of a pitch: few even teeth are shaped by cranking too."""
    few = case.wheel.kind == "even" and len(case.wheel.angles_deg) < 20
    return not few and case.wheel.kind not in ("irregular", "wide/narrow")


def one_turn(learned: Learned, repeats: int) -> Floats:
    """The learned repeat, so many of them set together to a turn, whatever turn was taken."""
    gaps = np.tile(learned.shape.gaps / learned.shape.gaps.sum(), repeats) * 360.0 / repeats
    return np.concatenate(([0.0], np.cumsum(gaps)[:-1]))


def truths(case: WheelCase) -> Iterable[Floats]:
    """Either polarity's edges are the wheel."""
    yield case.wheel.angles_deg
    if case.wheel.other_deg is not None:
        yield case.wheel.other_deg


def groups(result: WheelResult) -> Iterable[str]:
    """The rows of the table that a case belongs to."""
    case = result.case
    sampled = hasattr(case.recording.channels[0].data, "rate_hz")
    yield case.wheel.kind
    yield case.sensor
    yield "cranking" if case.mode == "cranking" else "start" if case.mode == "start" else "running"
    yield "10 kS/s" if sampled and case.recording.channels[0].data.rate_hz <= 10e3 else "faster or edges"
    yield "pulses lost or added" if case.lossy else "no pulse lost"
    yield "with a cam" if case.common_repeats else "crank alone"
    yield "all"


def run(first: int, count: int) -> tuple[list[WheelResult], float]:
    """The cases from one number on, and the seconds that decoding took."""
    results, spent = [], 0.0
    for number in range(first, first + count):
        case = draw_wheel_case(number)
        began = time.perf_counter()
        results.append(examine(case))
        spent += time.perf_counter() - began
    return results, spent


def table(results: list[WheelResult]) -> str:
    """One line for each group."""
    rows: dict[str, list[WheelResult]] = defaultdict(list)
    for result in results:
        for name in groups(result):
            rows[name].append(result)
    rest = [n for n in rows if n not in KINDS and n != "all"]
    lines = [f"{'':22}{'cases':>6}{'right':>8}{'pattern':>9}{'certain':>9}{'wrong*':>8}"]
    for name in (*KINDS, *sorted(rest), "all"):
        mine = rows.get(name, [])
        if mine:
            share = [100.0 * np.mean([getattr(r, f) for r in mine]) for f in ("right", "pattern", "certain")]
            wrong = sum(r.confidently_wrong for r in mine)
            lines.append(f"{name:22}{len(mine):6d}{share[0]:7.1f}%{share[1]:8.1f}%{share[2]:8.1f}%{wrong:8d}")
    return "\n".join([*lines, "* called certain with another number of pulses a turn"])


def misses(results: list[WheelResult]) -> Iterable[str]:
    """The cases that were not right, for a closer look."""
    for r in results:
        if not r.right or r.confidently_wrong:
            c = r.case
            true = f"{len(c.wheel.angles_deg)} pulses, {c.wheel.repeats} repeats"
            cam = f"cam {c.common_repeats}" if c.common_repeats else "no cam"
            yield (
                f"{c.number}: {c.wheel.kind}, {true}, {c.sensor}, {c.mode}, {cam}{', lossy' if c.lossy else ''}: "
                f"{r.name}, off {r.off_pitch:.2f} pitch{', CERTAIN' if r.confidently_wrong else ''}"
                f"{'' if r.heard else ', no edges found'}"
            )


def main() -> int:
    """Print the table; 1 when the target is missed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=210)
    parser.add_argument("--first", type=int, default=50_000)
    options = parser.parse_args()
    results, spent = run(options.first, options.cases)
    sys.stdout.write("\n".join([table(results), "", *misses(results), f"{spent / len(results):.2f} s a case", ""]))
    share = float(np.mean([r.right for r in results]))
    return int(share < TARGET_SHARE or any(r.confidently_wrong for r in results))


if __name__ == "__main__":
    sys.exit(main())

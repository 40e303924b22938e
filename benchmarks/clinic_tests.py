"""How many minutes until the cause is reached: the proposed tests against a fixed textbook order.

    python benchmarks/clinic_tests.py --vehicles 200 --seed 1

Each vehicle has one fault and comes with its codes and what its driver and the technician's senses say; nothing is
recorded yet. A test shows what it would on that vehicle, by the generator's own numbers. Both ways read the same
probabilities and stop when the true cause of a troubled cam stands at 0.9, or when there is nothing left to do.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

import drawn_vehicles as drawn
from clinic import known, vehicles
from drawn_vehicles import Clinic, Vehicle
from tightside.causes.evidence import weigh
from tightside.causes.infer import causes_of, posterior_of
from tightside.causes.next_tests import TESTS, Test, rank_tests
from tightside.causes.tools import TOOLS
from tightside.causes.weigh import done_already

REACHED = 0.9
MOST_STEPS = 25
ALL_TOOLS = frozenset(TOOLS)
#: generator's own chances of a result: (without such a fault, {with it})
SHOWS: dict[str, tuple[float, dict[str, float]]] = {
    "marks_off": (0.01, {"chain_slipped": 0.97, "drive_broken": 0.9}),
    "chain_slack": (0.08, {"chain_worn": 0.85, "chain_slipped": 0.5, "drive_broken": 0.8}),
    "cam_turns_not": (0.01, {"drive_broken": 0.98}),
    "follows_sensor": (0.03, {"cam_signal": 0.6}),
    "sensor_circuit_bad": (0.03, {"cam_signal": 0.6}),
    "crank_circuit_bad": (0.03, {"crank_signal": 0.75}),
    "valve_dead": (0.05, {"oil_control": 0.75}),
    "phaser_play": (0.04, {"phaser_loose": 0.85}),
    "data_differs": (0.03, {"reference_off": 0.85}),
    "wheel_loose": (0.03, {"wheel_moved": 0.85}),
}
ENTRY = {
    "follows_sensor": "sensor_swap_moves_trouble",
    "valve_dead": "oil_valve_bad",
    "wheel_loose": "sensor_wheel_turned",
    "cam_turns_not": "cam_turns",
    "does_not_follow": "phaser_follows",
}
#: the textbook's order: what is cheap and outside first, the coded cam first, the cover last
TEXTBOOK = (
    "Check oil level",
    "Check supply, ground, wire and air gap of cam",
    "Check supply, ground, wire, air gap and wheel of the crank",
    "Listen at a cold start",
    "Log actual",
    "Command the phaser",
    "Swap the sensor",
    "Measure oil pressure",
    "Take out the oil valve",
    "Record crank and cam",
    "Measure compression",
    "Look into the drained oil",
    "Check that the engine file",
    "Look at the sensor wheel",
    "Look through the filler",
    "Take off the cam cover",
)


@dataclass(frozen=True)
class Way:
    """How a vehicle was brought to its cause."""

    minutes: int
    reached: bool
    steps: int


def tested(v: Vehicle, test: Test, place: str, clinic: Clinic, rng: Any) -> Vehicle:
    """The vehicle with a test's result in hand."""
    if test.sees == "recording":
        return drawn.with_recording(v, rng)
    if test.sees == "log":
        return drawn.with_log(v, rng)
    for sign in test.signs:
        v = _shown(v, sign, place, clinic, rng)
    return v


def _shown(v: Vehicle, sign: str, place: str, clinic: Clinic, rng: Any) -> Vehicle:
    oil = {
        "oil_level_low": lambda: {"level": "low" if drawn.sees(v, clinic, "level_low", rng) else "ok"},
        "oil_wrong": lambda: {"condition": "dirty" if drawn.sees(v, clinic, "bad_oil", rng) else "good"},
        "oil_pressure_low": lambda: {"pressure_kpa": drawn.oil_kpa(v, rng)},
        "plastic_in_oil": lambda: {"plastic": drawn.sees(v, clinic, "plastic", rng)},
        "metal_in_oil": lambda: {"metal": drawn.sees(v, clinic, "metal", rng)},
    }
    if sign in oil:
        return _with(v, oil=v.observations.oil.model_copy(update=oil[sign]()))
    if sign == "rattle":
        return _with(v, cold_rattle_s=drawn.rattle_s(v, clinic, rng))
    if sign == "bank_weak":
        return _with(v, compression_kpa=drawn.compression_kpa(v, rng))
    entry = ENTRY.get(sign, sign)
    if sign in ("crank_circuit_bad", "data_differs"):
        results = {entry: _result(v, sign, "", clinic, rng)}
    else:
        places = [place] if sign == "chain_slack" or place in v.cams else [c for c in v.cams if c[:-1] == place]
        negated = sign in ("cam_turns_not", "does_not_follow")
        places = [p for p in places if sign not in ("phaser_play", "does_not_follow") or p in v.phased]
        given = {p: _result(v, sign, p, clinic, rng) != negated for p in places}
        results = {entry: {**getattr(v.observations.results, entry), **given}}
    return _with(v, results=v.observations.results.model_copy(update=results))


def _with(v: Vehicle, **update: Any) -> Vehicle:
    return replace(v, observations=v.observations.model_copy(update=update))


def _result(v: Vehicle, sign: str, place: str, clinic: Clinic, rng: Any) -> bool:
    if sign == "does_not_follow":
        return bool(v.follows[place] < 0.7 or rng.random() < 0.05)
    leak, shows = SHOWS[sign]
    here = [f for f in v.faults if place in ("", f.place) or f.place in ("", place[:-1]) or f.place[:-1] == place]
    p = max([leak, *(shows.get(f.kind, 0.0) for f in here)])
    return bool(rng.random() < clinic.chance(sign, "+".join(f.kind for f in here), p))


def judged(v: Vehicle) -> tuple[Any, Any]:
    """Weighed evidence and posterior."""
    weighed = weigh(known(v))
    return weighed, posterior_of(weighed.hypotheses, weighed.findings)


def reached(v: Vehicle, weighed: Any, posterior: Any) -> bool:
    """Whether a troubled cam's true cause stands at ``REACHED``."""
    troubled = [c for c in v.cams if v.faults_of(c)]
    tops = {c: causes_of(weighed.hypotheses, posterior, c)[0] for c in troubled}
    return any(t.cause == v.cause_of(c) and t.probability >= REACHED for c, t in tops.items())


def by_proposal(v: Vehicle, clinic: Clinic, rng: Any) -> Way:
    """Always the test that is proposed first."""
    minutes = 0
    tried: set[tuple[str, str]] = set()
    for step in range(MOST_STEPS):
        weighed, posterior = judged(v)
        if reached(v, weighed, posterior):
            return Way(minutes, True, step)
        ranked = rank_tests(weighed.hypotheses, posterior, ALL_TOOLS, done_already(weighed.findings))
        best = next((s for s in ranked if s.expected_gain_min > 0 and (s.test.text, s.place) not in tried), None)
        if best is None:
            return Way(minutes, False, step)
        tried.add((best.test.text, best.place))
        v, minutes = tested(v, best.test, best.place, clinic, rng), minutes + best.minutes
    return Way(minutes, False, MOST_STEPS)


def by_textbook(v: Vehicle, clinic: Clinic, rng: Any) -> Way:
    """The fixed order; of like tests, those at the coded cam and bank first."""
    minutes = 0
    for step, (test, place) in enumerate(_textbook(v)):
        if reached(v, *judged(v)):
            return Way(minutes, True, step)
        v, minutes = tested(v, test, place, clinic, rng), minutes + test.minutes
    return Way(minutes, reached(v, *judged(v)), len(_textbook(v)))


def _textbook(v: Vehicle) -> list[tuple[Test, str]]:
    coded = [c.cam for c in v.codes if c.cam] + [c.bank for c in v.codes if c.bank]
    out = []
    for start in TEXTBOOK:
        test = next(t for t in TESTS if t.text.startswith(start))
        places = {"engine": [""], "bank": sorted({c[:-1] for c in v.cams}), "cam": list(v.cams)}[test.scope]
        if {"does_not_follow", "valve_dead"} & set(test.signs):
            places = [p for p in places if p in v.phased]
        out += [(test, p) for p in sorted(places, key=lambda p: p not in coded)]
    return out


def bare(v: Vehicle) -> Vehicle:
    """The vehicle as it comes in: nothing recorded yet."""
    return replace(v, measured=(), patterns=(), phasers=(), crank_odd_share=None)


def run(count: int, seed: int) -> list[tuple[Vehicle, Way, Way]]:
    """Vehicles with one fault, each brought to its cause both ways."""
    out = []
    for i, (clinic, v) in enumerate(vehicles(100 * count, seed)):
        if len(out) == count:
            break
        if len(v.faults) != 1 or not any(v.faults_of(c) for c in v.cams):
            continue
        ways = [way(bare(v), clinic, np.random.default_rng([seed, i])) for way in (by_proposal, by_textbook)]
        out.append((v, ways[0], ways[1]))
    return out


def report(ways: list[tuple[Vehicle, Way, Way]]) -> str:
    """The figures, as text."""
    both = [(a, b) for _, a, b in ways if a.reached and b.reached]
    proposed, fixed = (np.array([w[k].minutes for w in both], dtype=float) for k in (0, 1))
    saved = 100.0 * (1.0 - proposed.sum() / fixed.sum())
    every = [(a.minutes, b.minutes) for _, a, b in ways]
    total = np.sum(every, axis=0)
    return "\n".join(
        [
            f"vehicles {len(ways)}; cause reached by proposals {sum(a.reached for _, a, _ in ways)}, "
            f"by the fixed order {sum(b.reached for _, _, b in ways)}, by both {len(both)}",
            f"minutes where both reach it: {proposed.mean():.0f} against {fixed.mean():.0f}, {saved:.0f} % fewer; "
            f"medians {np.median(proposed):.0f} and {np.median(fixed):.0f}",
            f"minutes spent on all vehicles: {total[0] / len(ways):.0f} against {total[1] / len(ways):.0f}",
        ]
    )


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--vehicles", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    print(report(run(arguments.vehicles, arguments.seed)))


if __name__ == "__main__":
    main()

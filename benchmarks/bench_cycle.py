"""How long a cycle of gas takes beside Cantera, a million clearances, and a cranking recording beside real cranking.

The Cantera set is six cylinders between an intake and an exhaust manifold in one reactor network, at its own default
tolerances, read each half degree (``tests/cantera_cylinder.py``); the twin turns the same engine. Both are timed in one
process, everything compiled before.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent / "tests"))

import cantera_cylinder as apart
from breathing_engine import breathing
from tightside.cli.simulate import scenario_from, subject_of, with_real_gas
from tightside.engine.clearance import draw_gaps
from tightside.engine.load import read_engine
from tightside.engine.valve_train import curve_of_valve
from tightside.twin.cycle import Surroundings, gas_at_rest, sound, turn_once
from tightside.twin.simulate import simulate

RPM = 200.0
CANTERA_TOLERANCES = (1e-9, 1e-15)  # the network's own defaults
FASTER, CLEARANCES_S, CRANKING_S = 200.0, 1.0, 10.0


def best_s(work: Callable[[], Any], runs: int) -> float:
    """Least processor time of several runs."""
    work()
    taken = []
    for _ in range(runs):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def cycle_s() -> float:
    """One 720 degree cycle of six cylinders and both manifolds, each half degree."""
    six = breathing()
    gas = gas_at_rest(six, sound(six), Surroundings())
    gas.state[3 * 8 + 1] = RPM * np.pi / 30
    return best_s(lambda: turn_once(gas, RPM), 10)


def cantera_s() -> float:
    """The same in Cantera, one cycle from rest."""
    displacement = breathing().displacement_m3
    cylinders = [apart.cylinder(apart.Engine(top_deg=120.0 * i, rpm=RPM)) for i in range(6)]
    both = apart.manifolds(cylinders, (1.2 * displacement, 1.5 * displacement), (1500e-6, 0.35 * displacement))
    start = time.process_time()
    apart.run([*cylinders, *both], 1, tolerances=CANTERA_TOLERANCES)
    return time.process_time() - start


def clearances_s() -> float:
    """A million gaps over the full cycle, offset and lengths drawn."""
    engine = read_engine("demo-v6")
    curve = curve_of_valve(engine, "exhaust")
    rng = np.random.default_rng(0)
    return best_s(lambda: draw_gaps(curve, 17.0, 1.0, draws=1_000_000, rng=rng), 3)


def recording_s() -> float:
    """Ten seconds of cranking, gas, sensors, current and pressures, at 20 kS/s."""
    engine = read_engine("demo-v6")
    subject = subject_of(engine)
    scenario = scenario_from(subject, ["slip:1A=1", "hole:3=4"], ("cranking", 10.0, None), (False, 20e3, 0.02))
    subject, scenario = with_real_gas(engine, subject, scenario, ("starter_current", "cylinder_pressure:3"))
    return best_s(lambda: simulate(subject, scenario, np.random.default_rng(0)), 1)


def main() -> int:
    ours, theirs = cycle_s(), cantera_s()
    clearances, recording = clearances_s(), recording_s()
    print(f"one cycle of six cylinders   {1e3 * ours:8.2f} ms")
    print(
        f"the same in Cantera          {1e3 * theirs:8.0f} ms, {theirs / ours:.0f} times as long (wanted {FASTER:.0f})"
    )
    print(f"a million clearances         {clearances:8.3f} s (at most {CLEARANCES_S:g})")
    print(f"10 s of cranking, recorded   {recording:8.2f} s (at most {CRANKING_S:g})")
    return int(theirs / ours < FASTER or clearances > CLEARANCES_S or recording > CRANKING_S)


if __name__ == "__main__":
    sys.exit(main())

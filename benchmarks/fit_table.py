"""How well the match recovers offset and leak on simulated recordings that it has never seen.

What the match is not told differs from recording to recording: discharge and heat of the gas, blow-by, temperatures,
friction, inertia, battery, throttle, speed, wheel errors and noise. With "blind" the cam sensors' own offsets are not
believed: the gas alone must say. Seeds below 100 are for development; figures are quoted for those from 100 on.

    python benchmarks/fit_table.py [FIRST_SEED] [COUNT] [blind]
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np

from tightside.cli.simulate import scenario_from, subject_of
from tightside.engine.load import read_engine
from tightside.engine.model import Engine
from tightside.forecast import subject_with_breathing
from tightside.matching import match_recording
from tightside.records import Recording
from tightside.twin.cycle import Surroundings
from tightside.twin.fit import Match
from tightside.twin.scene import Fault, RealGas, Recorder, Running, Sensor, Starter
from tightside.twin.simulate import simulate

ENGINES = ("demo-v6", "demo-i4")


@dataclass(frozen=True)
class Case:
    """One recording's truth."""

    engine: str
    cam: str
    offset_deg: float
    cylinder: int
    leak_mm2: float
    with_manifold: bool


def draw_case(seed: int) -> tuple[Case, Recording, Engine]:
    """A recording with one cam off by any angle and one cylinder leaking."""
    rng = np.random.default_rng(seed)
    name = ENGINES[int(rng.integers(len(ENGINES)))]
    engine = read_engine(name)
    cams = [c for c, cam in engine.cams.items() if "intake" in cam.kinds]
    case = Case(
        engine=name,
        cam=str(rng.choice(cams)),
        offset_deg=float(rng.uniform(3.0, 36.0)),
        cylinder=int(rng.integers(1, engine.cylinders + 1)),
        leak_mm2=float(np.exp(rng.uniform(np.log(1.5), np.log(8.0)))),
        with_manifold=bool(rng.random() < 0.5),
    )
    subject = subject_with_breathing(engine, subject_of(engine))
    litres = subject.displacement_m3 * 1e3
    subject = replace(subject, inertia_kg_m2=(0.06 + 0.06 * litres) * float(np.exp(0.25 * rng.standard_normal())))
    scenario = scenario_from(subject, [], ("cranking", 10.0, float(rng.uniform(150, 260))), (False, 20e3, 0.02))
    faults = (
        Fault(kind="wear", target=case.cam, value=case.offset_deg),
        Fault(kind="hole", target=str(case.cylinder), value=case.leak_mm2),
    )
    also = ("starter_current", "battery_voltage", *(("manifold_pressure",) if case.with_manifold else ()))
    scenario = replace(
        scenario,
        faults=faults,
        gas=_hidden(rng, also),
        running=replace(scenario.running, wander=0.0),
        sensor=Sensor(runout_deg=0.05, tooth_sd_deg=0.02),
        recorder=Recorder(rate_hz=20e3, noise_v=0.02),
    )
    assert isinstance(scenario.running, Running)
    return case, simulate(subject, scenario, rng)[0], engine


def _hidden(rng: np.random.Generator, also: tuple[str, ...]) -> RealGas:
    return RealGas(
        around=Surroundings(
            ambient_kpa=float(rng.uniform(97, 102.5)),
            ambient_k=float(rng.uniform(280, 310)),
            wall_k=float(rng.uniform(330, 370)),
            discharge=float(rng.uniform(0.6, 0.75)),
            heat=float(np.exp(0.3 * rng.standard_normal())),
            blow_by_mm2=float(np.exp(np.log(0.5) + 0.4 * rng.standard_normal())),
        ),
        starter=Starter(battery_v=float(rng.uniform(12.0, 12.8)), battery_ohm=float(rng.uniform(0.008, 0.014))),
        friction=float(np.exp(0.2 * rng.standard_normal())),
        cranking_throttle_mm2=float(rng.uniform(800, 2000)),
        also=also,
    )


def told(case: Case, found: Match) -> tuple[float, float, bool]:
    """Error of the offset [deg], of the leak (share), and whether the right cylinder is named."""
    offset = next(e.value for e in found.offsets if e.name == case.cam)
    leak = next(e.value for e in found.leaks if e.name == str(case.cylinder))
    return offset - case.offset_deg, leak / case.leak_mm2 - 1.0, found.leaking == case.cylinder


def main() -> None:
    given = [a for a in sys.argv[1:] if a != "blind"]
    first, count = (int(a) for a in (*given, *("100", "12")[len(given) :]))
    rows = []
    for seed in range(first, first + count):
        case, recording, engine = draw_case(seed)
        found = match_recording(recording, engine, believe_cams="blind" not in sys.argv)
        offset, leak, named = told(case, found)
        rows.append((abs(offset), abs(leak), named))
        sd = next(e.sd for e in found.offsets if e.name == case.cam)
        print(
            f"seed {seed} {case.engine} {'manifold' if case.with_manifold else '        '} cam {case.cam} "
            f"{case.offset_deg:5.1f} deg: off by {offset:+5.2f} (said sd {sd:.2f}); cylinder {case.cylinder} "
            f"{case.leak_mm2:4.1f} mm2: off by {100 * leak:+5.1f} %, named {found.leaking}; "
            f"{found.worse_than_noise:.2f} times noise",
            flush=True,
        )
    offsets, leaks, named = (np.array(v) for v in zip(*rows, strict=True))
    print(
        f"{count} recordings: offset within 2 deg in {np.sum(offsets < 2)}, leak within 20 % in {np.sum(leaks < 0.2)}, "
        f"cylinder named in {np.sum(named)}; medians {np.median(offsets):.2f} deg, {100 * np.median(leaks):.1f} %"
    )


if __name__ == "__main__":
    main()

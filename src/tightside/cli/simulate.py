"""``tightside simulate``: a recording of an engine with a chosen fault."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, get_args

import typer

from tightside.cli.console import reader_may_leave
from tightside.errors import OutsideError, UsageError

if TYPE_CHECKING:
    from tightside.engine.model import Engine
    from tightside.records import Recording
    from tightside.twin.scene import Scenario, Subject, Truth

FAULT_HELP = (
    "slip:1A=+1, wear:2=3.0, loose:1A=6, stuck:1A=20, moving:1A=25, lost:2A=0.4, crank-shift=8, weak:3=0.5, "
    "hole:3=4, bent-intake:3=2, ..."
)
ALSO_HELP = "Record this too: starter_current, battery_voltage, manifold_pressure, cylinder_pressure:3."


def run(
    engine: Annotated[Path, typer.Option("--engine", help="Engine file.")],
    out: Annotated[str, typer.Option("--out", metavar="F.csv", help="Recording to write; - is the screen.")],
    fault: Annotated[list[str] | None, typer.Option("--fault", metavar="KIND:WHERE=HOW", help=FAULT_HELP)] = None,
    mode: Annotated[str, typer.Option("--mode", help="cranking, start, restart, idle, snap or steady.")] = "idle",
    seconds: Annotated[float, typer.Option("--seconds", min=0.05, max=600.0, help="How long.")] = 10.0,
    rpm: Annotated[
        float | None, typer.Option("--rpm", min=40.0, max=8000.0, help="Speed; usual where left out.")
    ] = None,
    rate: Annotated[float, typer.Option("--rate", min=1e3, max=5e6, help="Samples a second.")] = 50e3,
    edges: Annotated[bool, typer.Option("--edges", help="A row per level change, as a logic recorder writes.")] = False,
    noise: Annotated[float, typer.Option("--noise", min=0.0, max=5.0, help="Noise, standard deviation in V.")] = 0.02,
    also: Annotated[
        list[str] | None, typer.Option("--also", metavar="ROLE", help=ALSO_HELP + " Turns the crank by real gas.")
    ] = None,
    gas: Annotated[bool, typer.Option("--gas", help="Turn the crank by real gas; implied where it is needed.")] = False,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Same seed, same recording.")] = 0,
    truth: Annotated[str | None, typer.Option("--truth", metavar="F.json", help="Also what was true.")] = None,
    log: Annotated[
        str | None, typer.Option("--log", metavar="HOW", help="A scan tool's slow log instead: idle, revs or drive.")
    ] = None,
    log_rate: Annotated[float, typer.Option("--log-rate", min=0.2, max=50.0, help="Rows a second of a log.")] = 10.0,
) -> None:
    """Make a recording of an engine with a chosen fault, for trying things on and for the classroom."""
    from tightside.cli.inputs import engine_or_none

    described = engine_or_none(engine)
    assert described is not None
    subject = subject_of(described)
    if log is not None:
        write_log(subject, fault or [], (log, seconds, log_rate, seed), out, truth)
        return
    scenario = scenario_from(subject, fault or [], (mode, seconds, rpm), (edges, rate, noise))
    if gas or also or any(f.kind in ("hole", "bent-intake", "bent-exhaust") for f in scenario.faults):
        subject, scenario = with_real_gas(described, subject, scenario, tuple(also or ()))
    import numpy as np

    from tightside.twin.simulate import simulate

    recording, happened = simulate(subject, scenario, np.random.default_rng(seed))
    _write(recording, out)
    if truth is not None:
        from tightside.cli.console import write_result

        write_result(truth, truth_as_json(happened))


def write_log(
    subject: Subject, faults: list[str], run_as: tuple[str, float, float, int], out: str, truth: str | None
) -> None:
    """Write a scan tool's log of cam phase, and what was true of it.

    Raises
    ------
    UsageError
        If there is no such way to run the engine, or a fault does not fit it.
    """
    import numpy as np

    from tightside.cli.console import write_result
    from tightside.twin.grammar import read_fault
    from tightside.twin.log import Drive, LogFormat, LogRunning, LogScenario, log_truth_as_json, simulate_log

    how, seconds, rate_hz, seed = run_as
    ways: tuple[Drive, ...] = get_args(Drive)
    drive = next((w for w in ways if w == how), None)
    if drive is None:
        raise UsageError(code="log-how", what="--log is not understood", expected=f"one of {', '.join(ways)}", got=how)
    scenario = LogScenario(
        running=LogRunning(drive=drive, seconds=seconds),
        faults=tuple(read_fault(text, subject) for text in faults),
        log=LogFormat(rate_hz=rate_hz, named_unit=True),
    )
    recording, happened = simulate_log(subject, scenario, np.random.default_rng(seed))
    _write(recording, out)
    if truth is not None:
        write_result(truth, log_truth_as_json(happened))


def subject_of(engine: Engine) -> Subject:
    """What of an engine file the simulation needs; what the file leaves out is taken as usual.

    Raises
    ------
    UsageError
        If the file does not say where the cylinders fire.
    """
    import numpy as np

    from tightside.engine.patterns import cam_patterns, wheel_pattern
    from tightside.twin.scene import Subject

    if not engine.firing_order:
        hint = "Add 'cylinders' and 'firing_order' to the engine file"
        raise UsageError(
            code="no-firing-order", what="an engine can only be turned if its cylinders are known", hint=hint
        )
    cams = cam_patterns(engine)
    more: dict[str, Any] = {}
    for name in ("bore_mm", "stroke_mm", "rod_mm", "compression_ratio"):
        value = getattr(engine.geometry, name, None)
        if value is not None:
            more[name] = value
    sensors = [engine.cams[c.cam].sensor for c in cams]
    return Subject(
        wheel=wheel_pattern(engine),
        cams=cams,
        cam_kinds=tuple(s.kind if s else "hall" for s in sensors),
        firing_order=engine.firing_order,
        firing_angles_deg=np.array([engine.firing_angle_deg(c) for c in engine.firing_order]),
        idle_rpm=engine.idle_rpm or 750.0,
        **_with_room_for_the_rod(more),
    )


def with_real_gas(
    engine: Engine, subject: Subject, scenario: Scenario, also: tuple[str, ...] = ()
) -> tuple[Subject, Scenario]:
    """The same engine and scenario, with the gas of every cylinder behind the crank, and more channels."""
    from dataclasses import replace

    from tightside.forecast import subject_with_breathing
    from tightside.twin.scene import RealGas

    return subject_with_breathing(engine, subject), replace(scenario, gas=RealGas(also=also))


def _with_room_for_the_rod(geometry: dict[str, Any]) -> dict[str, Any]:
    """A rod of 1.65 strokes where the file gives none: common practice, no source."""
    stroke = geometry.get("stroke_mm")
    return geometry if stroke is None or "rod_mm" in geometry else {**geometry, "rod_mm": 1.65 * stroke}


def scenario_from(
    subject: Subject, faults: list[str], run_as: tuple[str, float, float | None], record_as: tuple[bool, float, float]
) -> Scenario:
    """The scenario that the options describe.

    Raises
    ------
    UsageError
        If there is no such mode, or a fault does not fit the engine.
    """
    from tightside.twin.grammar import read_fault
    from tightside.twin.scene import Mode, Recorder, Running, Scenario, Sensor

    mode, seconds, rpm = run_as
    edges, rate_hz, noise_v = record_as
    modes: tuple[Mode, ...] = get_args(Mode)
    chosen = next((m for m in modes if m == mode), None)
    if chosen is None:
        raise UsageError(code="mode", what="--mode is not understood", expected=f"one of {', '.join(modes)}", got=mode)
    return Scenario(
        running=Running(mode=chosen, seconds=seconds, rpm=rpm),
        faults=tuple(read_fault(text, subject) for text in faults),
        recorder=Recorder(kind="edges" if edges else "sampled", rate_hz=rate_hz, noise_v=noise_v),
        sensor=Sensor(runout_deg=0.05, tooth_sd_deg=0.02, gap_swing=0.05),
    )


def _write(recording: Recording, out: str) -> None:
    from tightside.twin.table import write_csv

    if out == "-":
        with reader_may_leave():
            write_csv(recording, sys.stdout.buffer)
            sys.stdout.buffer.flush()
        return
    try:
        Path(out).parent.mkdir(parents=True, exist_ok=True)
        write_csv(recording, out)
    except OSError as error:
        hint = "Name a file in a folder that you may write to"
        raise OutsideError(
            code="cannot-write", what=f"cannot write {out}", got=error.strerror or "", hint=hint
        ) from error


def truth_as_json(truth: Truth) -> str:
    """What was true of each cam, for comparison with a verdict."""
    import json

    cams = [
        {
            "cam": c.cam,
            "teeth": c.teeth,
            "offset_deg": None if c.offset_deg != c.offset_deg else round(c.offset_deg, 4),
            "erratic": c.erratic,
            "signal_share": round(c.signal_share, 4),
            "cycles": len(c.cycle_times_s),
            "faults": list(c.causes),
        }
        for c in truth.cams
    ]
    rpm = dict(zip(("min", "median", "max"), (round(r, 1) for r in truth.rpm), strict=True))
    return json.dumps({"crank_shift_deg": truth.crank_shift_deg, "rpm": rpm, "cams": cams}, indent=1)

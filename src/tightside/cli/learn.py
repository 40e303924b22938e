"""``tightside learn``: crank wheel and cam edges from a known-good recording, to an engine file or the library."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tightside.cli.console import STDOUT, first_run_told, progress_shown, say, write_result
from tightside.cli.inputs import factors, pairs
from tightside.cli.memory import memory_limit_bytes
from tightside.errors import UsageError

if TYPE_CHECKING:
    from tightside.engine.model import Engine
    from tightside.learning import LearnedEngine


def run(
    recording: Annotated[Path, typer.Argument(metavar="RECORDING", help="Of an engine in good order, 10 s at idle.")],
    out: Annotated[str | None, typer.Option("--out", metavar="ENGINE", help="Engine file; - is the screen.")] = None,
    library: Annotated[
        str | None, typer.Option("--library", metavar="NAME", help="Add it to the learned engine of that name.")
    ] = None,
    name: Annotated[str | None, typer.Option("--name", help="The engine's name in its file.")] = None,
    vehicle: Annotated[
        str, typer.Option("--vehicle", metavar="NAME", help="Whose recording: several of one vehicle count as one.")
    ] = "",
    cam_teeth: Annotated[
        int | None, typer.Option("--cam-teeth", min=6, max=200, help="Teeth of the cam sprocket.")
    ] = None,
    channel: Annotated[list[str] | None, typer.Option("--channel", metavar="ROLE=COLUMN", help="Role by hand.")] = None,
    unit: Annotated[list[str] | None, typer.Option("--unit", metavar="ROLE=UNIT", help="Unit by hand.")] = None,
    scale: Annotated[list[str] | None, typer.Option("--scale", metavar="ROLE=FACTOR", help="Factor by hand.")] = None,
    rate_hz: Annotated[
        float | None, typer.Option("--rate-hz", "--rate", help="Samples a second, if there is no time.")
    ] = None,
    json: Annotated[str | None, typer.Option("--json", metavar="F", help="Result as JSON; - is the screen.")] = None,
) -> None:
    """Learn crank wheel and cam edges from a recording of an engine in good order."""
    check_targets(out, library, json)
    from tightside.engine.learned import engine_as_yaml
    from tightside.learning import add_to_learned, learn_engine, pooled_alone
    from tightside.recordings.registry import read_recording

    with first_run_told(), progress_shown() as progress:
        read = read_recording(
            recording,
            channels=pairs(channel, "--channel", "ROLE=COLUMN"),
            units=pairs(unit, "--unit", "ROLE=UNIT"),
            scales=factors(scale, "--scale"),
            rate_hz=rate_hz,
            memory_limit_bytes=memory_limit_bytes(),
            progress=lambda share: progress("reading", share / 2),
        )
        title = name or library or recording.stem
        known = library_engine(library) if library is not None else None
        learned = learn_engine(read, name=title, cam_teeth=cam_teeth, vehicle=vehicle, like=known)
    where: list[str] = []
    if library is not None:
        learned = add_to_learned(known, learned) if known is not None else pooled_alone(learned)
        from tightside.store.library import write_library

        where.append(f"in the library as {library} ({write_library(library, engine_as_yaml(learned.engine))})")
    if out is not None:
        write_result(out, engine_as_yaml(learned.engine))
        where.append(out)
    if json is not None:
        import json as js

        write_result(json, js.dumps(learned.as_dict(), indent=2) + "\n")
    if STDOUT not in (out, json):
        say(as_text(learned, where))


def check_targets(out: str | None, library: str | None, json: str | None) -> None:
    """Refuse what cannot be written before any work is done."""
    if out is None and library is None:
        raise UsageError(
            code="nowhere-to-learn",
            what="nowhere to put what is learned",
            hint="Give --out ENGINE.yaml, --library NAME, or both",
        )
    if out == STDOUT and json == STDOUT:
        raise UsageError(
            code="two-results-one-screen",
            what="--out - and --json - would both go to standard output",
            hint="Give one of them a file name",
        )
    if library is not None:
        from tightside.store.library import library_path

        library_path(library)


def library_engine(name: str) -> Engine | None:
    """The library's engine of that name, or None."""
    from tightside.engine.load import engine_from_text
    from tightside.store.library import read_library

    text = read_library(name)
    return engine_from_text(text, f"{name} (library)") if text is not None else None


def as_text(learned: LearnedEngine, where: list[str]) -> str:
    """What was learned, for the person at the bench."""
    known = learned.engine.learned
    vehicles = known.vehicles if known is not None else 1
    lines = [
        f"{learned.engine.name}: crank wheel {learned.wheel}, {learned.pulses_per_revolution} pulses a turn; "
        f"it rests on {vehicles} vehicle{'' if vehicles == 1 else 's'}.",
    ]
    for cam in learned.cams:
        held = learned.engine.cams[cam.cam]
        sds = [e.sd_deg or 0.0 for e in held.sensor.edges] if held.sensor else [0.0]
        spread = f", {held.vehicle_sd_deg:.1f} from vehicle to vehicle" if held.vehicle_sd_deg is not None else ""
        lines.append(
            f'  cam {cam.cam} ("{cam.column}"): {len(cam.edges)} edges over {cam.cycles} cycles, '
            f"known to {max(sds):.2f} degrees (one standard deviation){spread}"
        )
    lines += [f"  Look again: {warning}" for warning in learned.warnings]
    lines.append(
        "  Top dead centre, valves and pistons are not in it. That this engine was in good order is yours to know."
    )
    return "\n".join([*lines, f"Written: {', '.join(where)}."])

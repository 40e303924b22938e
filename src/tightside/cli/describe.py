"""``tightside describe``: what is in a recording."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tightside.cli.console import first_run_told, progress_shown, say, write_result
from tightside.cli.inputs import engine_or_none, factors, pairs
from tightside.cli.memory import memory_limit_bytes


def run(
    recordings: Annotated[list[Path], typer.Argument(metavar="RECORDING...", help="Files from a scope or logger.")],
    engine: Annotated[Path | None, typer.Option("--engine", help="Engine file; its wheel is then looked for.")] = None,
    channel: Annotated[list[str] | None, typer.Option("--channel", metavar="ROLE=COLUMN", help="Role by hand.")] = None,
    unit: Annotated[list[str] | None, typer.Option("--unit", metavar="ROLE=UNIT", help="Unit by hand.")] = None,
    scale: Annotated[list[str] | None, typer.Option("--scale", metavar="ROLE=FACTOR", help="Factor by hand.")] = None,
    rate_hz: Annotated[
        float | None, typer.Option("--rate-hz", "--rate", help="Samples a second, if there is no time.")
    ] = None,
    dbc: Annotated[Path | None, typer.Option("--dbc", metavar="F", help="Describes the messages of a CAN log.")] = None,
    json: Annotated[str | None, typer.Option("--json", metavar="F", help="Result as JSON; - is the screen.")] = None,
) -> None:
    """Say what is in a recording: channels and their roles, wheels, speed, and what is wrong with it."""
    channels = pairs(channel, "--channel", "ROLE=COLUMN")
    units = pairs(unit, "--unit", "ROLE=UNIT")
    scales = factors(scale, "--scale")
    from tightside import pipeline
    from tightside.report.text import describe_text

    with first_run_told(), progress_shown() as progress:
        diagnosis = pipeline.describe(
            recordings,
            engine=engine_or_none(engine),
            channels=channels,
            units=units,
            rate_hz=rate_hz,
            scales=scales,
            dbc=dbc,
            memory_limit_bytes=memory_limit_bytes(),
            progress=progress,
        )
    if json is not None:
        write_result(json, diagnosis.to_json())
    if json != "-":
        say(describe_text(diagnosis))

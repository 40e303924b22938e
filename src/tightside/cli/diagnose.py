"""``tightside diagnose``: the verdict on the valve timing."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tightside.cli.console import STDOUT, first_run_told, progress_shown, say, write_result
from tightside.cli.inputs import (
    code_table_or_none,
    codes_from,
    engine_or_none,
    factors,
    observations_or_none,
    pairs,
    phase_from,
    tools_from,
)
from tightside.cli.memory import memory_limit_bytes
from tightside.errors import UsageError


def run(
    recordings: Annotated[
        list[Path] | None, typer.Argument(metavar="RECORDING...", help="Files from a scope or logger.")
    ] = None,
    engine: Annotated[Path | None, typer.Option("--engine", help="Engine file.")] = None,
    reference: Annotated[
        Path | None, typer.Option("--reference", help="Recording of the same engine, in order.")
    ] = None,
    cam_teeth: Annotated[
        int | None, typer.Option("--cam-teeth", min=6, max=200, help="Teeth of the cam sprocket.")
    ] = None,
    channel: Annotated[list[str] | None, typer.Option("--channel", metavar="ROLE=COLUMN", help="Role by hand.")] = None,
    unit: Annotated[list[str] | None, typer.Option("--unit", metavar="ROLE=UNIT", help="Unit by hand.")] = None,
    scale: Annotated[list[str] | None, typer.Option("--scale", metavar="ROLE=FACTOR", help="Factor by hand.")] = None,
    rate_hz: Annotated[
        float | None, typer.Option("--rate-hz", "--rate", help="Samples a second, if there is no time.")
    ] = None,
    dbc: Annotated[Path | None, typer.Option("--dbc", metavar="F", help="Describes the messages of a CAN log.")] = None,
    codes: Annotated[
        str, typer.Option("--codes", metavar="P0016,...", help="Trouble codes; P0016:pending, :new, :2F for a status.")
    ] = "",
    code_table: Annotated[
        Path | None, typer.Option("--code-table", metavar="F", help="Makers' own codes, YAML.")
    ] = None,
    phase_unit: Annotated[
        str | None, typer.Option("--phase-unit", metavar="crank|cam", help="Degrees of a log's cam phase.")
    ] = None,
    phase_sign: Annotated[
        str | None, typer.Option("--phase-sign", metavar="early|late", help="What a log's positive cam phase means.")
    ] = None,
    observations: Annotated[
        Path | None, typer.Option("--observations", metavar="F", help="What is seen, heard and told: a YAML list.")
    ] = None,
    tools: Annotated[
        str | None, typer.Option("--tools", metavar="F|LIST", help="What the shop has: a file, or names with commas.")
    ] = None,
    json: Annotated[str | None, typer.Option("--json", metavar="F", help="Result as JSON; - is the screen.")] = None,
    report: Annotated[str | None, typer.Option("--report", metavar="F.html", help="Report with pictures.")] = None,
) -> None:
    """Say for each camshaft whether its timing has slipped: degrees, teeth, early or late, and how sure that is."""
    check_targets(json, report)
    channels = pairs(channel, "--channel", "ROLE=COLUMN")
    units = pairs(unit, "--unit", "ROLE=UNIT")
    scales = factors(scale, "--scale")
    stored = codes_from(codes)
    if not recordings and not stored and observations is None:
        raise UsageError(
            code="nothing-to-diagnose",
            what="there is nothing to diagnose",
            hint="Give a RECORDING, or trouble codes with --codes, or what you see with --observations",
        )
    from tightside import pipeline
    from tightside.report.text import diagnosis_text

    with first_run_told(), progress_shown() as progress:
        examination = pipeline.diagnose(
            recordings or [],
            engine=engine_or_none(engine),
            reference=reference,
            cam_teeth=cam_teeth,
            channels=channels,
            units=units,
            codes=stored,
            code_table=code_table_or_none(code_table),
            phase=phase_from(phase_unit, phase_sign),
            observations=observations_or_none(observations),
            tools=tools_from(tools),
            rate_hz=rate_hz,
            scales=scales,
            dbc=dbc,
            memory_limit_bytes=memory_limit_bytes(),
            progress=progress,
        )
    if json is not None:
        write_result(json, examination.diagnosis.to_json())
    if report is not None:
        from tightside.report.html import render_html

        write_result(report, render_html(examination))
    if STDOUT not in (json, report):
        say(diagnosis_text(examination.diagnosis))


def check_targets(json: str | None, report: str | None) -> None:
    """Refuse what cannot be written before any work is done."""
    if json == STDOUT and report == STDOUT:
        raise UsageError(
            code="two-results-one-screen",
            what="--json - and --report - would both go to standard output",
            hint="Give one of them a file name",
        )
    if report is not None and report != STDOUT and Path(report).suffix.lower() not in (".html", ".htm"):
        raise UsageError(
            code="report-format",
            what=f"--report {report}",
            expected="a name that ends in .html",
            hint="PDF is not written yet: open the .html in a browser and print it, it is laid out for A4 and Letter",
        )

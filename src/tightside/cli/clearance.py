"""``tightside clearance``: gap between valves and pistons, tooth by tooth."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from tightside.cli.console import say, write_result
from tightside.cli.inputs import pairs
from tightside.errors import UsageError

if TYPE_CHECKING:
    from tightside.engine.contacts import Clearances, ContactRow
    from tightside.engine.model import Engine


def run(
    engine: Annotated[str, typer.Option("--engine", help="Engine file, or a shipped engine's name.")],
    json_file: Annotated[
        str | None, typer.Option("--json", help="Write the result as JSON; - is standard output.")
    ] = None,
    by_degree: Annotated[bool, typer.Option("--by-degree", help="Also every degree, 90 early to 90 late.")] = False,
    offset: Annotated[
        list[str] | None, typer.Option("--offset", help="CAM=DEG or CAM=DEG:SD, a measured offset, late positive.")
    ] = None,
    report: Annotated[
        str | None, typer.Option("--report", metavar="F.html", help="Write a report with pictures.")
    ] = None,
) -> None:
    """Gap between valves and pistons, tooth by tooth, and the chance that they meet."""
    import json

    from tightside.cli.diagnose import check_targets
    from tightside.cli.inputs import engine_named
    from tightside.engine.contacts import clearances_as_json, clearances_of

    check_targets(json_file, report)
    known = engine_named(engine)
    measured = _measured(known, offset)
    result = clearances_of(known, by_degree=by_degree)
    if json_file is not None:
        write_result(json_file, json.dumps(clearances_as_json(result, measured), indent=2))
    if report is not None:
        from tightside.forecast import gap_survey
        from tightside.report.clearance import render_clearance

        write_result(report, render_clearance(gap_survey(known, result, measured)))
    if "-" not in (json_file, report):
        say(as_text(result, measured))


def _measured(engine: Engine, offsets: list[str] | None) -> list[ContactRow]:
    from tightside.engine.contacts import contacts_from_offset

    rows: list[ContactRow] = []
    for cam, value in pairs(offsets, "--offset", "CAM=DEG:SD").items():
        if cam not in engine.cams:
            cams = ", ".join(engine.cams) or "none"
            raise UsageError(code="unknown-cam", what=f"--offset names cam {cam!r}", expected=f"one of {cams}", got=cam)
        rows.extend(contacts_from_offset(engine, cam, *_degrees(value)))
    return rows


def _degrees(value: str) -> tuple[float, float]:
    from math import isfinite

    try:
        deg, _, sd = value.partition(":")
        numbers = float(deg), float(sd or 0)
    except ValueError:
        numbers = float("nan"), 0.0
    if not all(map(isfinite, numbers)) or abs(numbers[0]) > 360 or not 0 <= numbers[1] <= 90:
        raise UsageError(
            code="bad-offset",
            what="--offset is not understood",
            expected="degrees within 360, and a standard deviation of at most 90, such as 1A=17.0:0.5",
            got=value,
        )
    return numbers


def as_text(result: Clearances, measured: list[ContactRow]) -> str:
    """The result for the person at the bench."""
    from tightside.engine.contacts import cautions_for

    lines = [f"{result.engine}: gap between valves and pistons", ""]
    for cam, valve in dict.fromkeys((row.cam, row.valve) for row in result.rows):
        lines.append(f"cam {cam}, {valve} valves")
        lines += [_line(row) for row in result.rows if (row.cam, row.valve) == (cam, valve)]
        lines.append("")
    for row in measured:
        lines += [f"cam {row.cam}, {row.valve} valves, {row.offset_deg:+.1f} deg as measured", _line(row), ""]
    lines += [f"Assumed: {text}" for text in result.assumed]
    lines += result.notes
    lines += [f"CAUTION: {text}" for text in cautions_for([*measured, *result.rows])]
    return "\n".join(lines)


def _line(row: ContactRow) -> str:
    low, high = row.contact.gap_ci95_mm
    c = row.contact
    text = f"  {_place(row):>14}  gap {c.gap_mm:6.2f} mm ({low:.2f} to {high:.2f}), meets {_chance(c.probability)}"
    if row.contact.probability >= 0.01:
        text += f", bends {_chance(row.contact.bend)}"
    if row.phaser is not None:
        text += f"; with the phaser moving {row.phaser.gap_mm:.2f} mm, meets {_chance(row.phaser.probability)}"
    return text


def _place(row: ContactRow) -> str:
    if row.teeth is None:
        return "late" if row.offset_deg > 0 else "early" if row.offset_deg < 0 else "in time"
    if row.teeth == 0:
        return "in time"
    teeth = "tooth" if abs(row.teeth) == 1 else "teeth"
    return f"{abs(row.teeth)} {teeth} {'late' if row.teeth > 0 else 'early'}"


def _chance(probability: float) -> str:
    if probability < 0.005:
        return "under 1 %"
    return "over 99 %" if probability > 0.995 else f"{100 * probability:.0f} %"

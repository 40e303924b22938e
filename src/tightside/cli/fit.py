"""``tightside fit``: what an engine must be for the twin to show the same as a cranking recording."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tightside.cli.console import STDOUT, say, write_result
from tightside.cli.inputs import engine_or_none, pairs

if TYPE_CHECKING:
    from tightside.twin.fit import Estimate, Match

CARE = (
    "A leak found here is computed, not seen: check it with a leak-down test before anything is condemned.",
    "Before a cranking test disable fuel and ignition, set the brake and take it out of gear. Never crank an engine "
    "whose valves may be touching.",
)


def run(
    recording: Annotated[Path, typer.Argument(help="A recording of the engine being cranked without fuel.")],
    engine: Annotated[Path, typer.Option("--engine", help="Engine file, or a shipped engine's name.")],
    channel: Annotated[
        list[str] | None, typer.Option("--channel", metavar="ROLE=COLUMN", help="Say by hand what a column is.")
    ] = None,
    unit: Annotated[list[str] | None, typer.Option("--unit", metavar="ROLE=UNIT", help="Unit of a column.")] = None,
    ignore_cams: Annotated[
        bool, typer.Option("--ignore-cams", help="Do not believe the cam sensors: let the gas alone say.")
    ] = False,
    json_file: Annotated[
        str | None, typer.Option("--json", help="Write the result as JSON; - is standard output.")
    ] = None,
) -> None:
    """Cam offsets, leaks, friction and starter, from crank, starter current and pressures while cranking."""
    from tightside.matching import match

    described = engine_or_none(engine)
    assert described is not None
    channels, units = pairs(channel, "--channel", "ROLE=COLUMN"), pairs(unit, "--unit", "ROLE=UNIT")
    found = match(recording, described, channels=channels, units=units, believe_cams=not ignore_cams)
    if json_file is not None:
        import json

        write_result(json_file, json.dumps(match_as_json(found), indent=2))
    if json_file != STDOUT:
        say(as_text(found))


def match_as_json(found: Match) -> dict[str, Any]:
    """The match as plain values."""
    return {
        "schema": "tightside/fit/1",
        "cams": [{"cam": e.name, "offset_deg": round(e.value, 3), "ci95_deg": _ends(e)} for e in found.offsets],
        "cylinders": [
            {"cylinder": int(e.name), "leak_mm2": round(e.value, 3), "leak_ci95_mm2": _ends(e)} for e in found.leaks
        ],
        "others": [{"name": e.name, "times_usual": round(e.value, 4), "ci95": _ends(e)} for e in found.others],
        "residuals": [
            {"channel": name, "rms": round(rms, 4), "share_of_swing": round(share, 5)}
            for name, rms, share in found.residuals
        ],
        "worse_than_noise": round(found.worse_than_noise, 3),
        "leaking": found.leaking,
        "notes": list(found.notes),
        "cautions": list(CARE),
    }


def _ends(e: Estimate) -> list[float]:
    return [round(v, 3) for v in e.ci95]


def as_text(found: Match) -> str:
    """The match for the person at the bench."""
    lines = ["What the engine must be for the twin to show this recording, 95 in 100:", ""]
    for e in found.offsets:
        lines.append(f"  cam {e.name}: {e.value:+.1f} degrees ({e.ci95[0]:+.1f} to {e.ci95[1]:+.1f}), late positive")
    for e in found.leaks:
        low, high = max(e.ci95[0], 0.0), e.ci95[1]
        lines.append(f"  cylinder {e.name}: leak {e.value:.1f} mm² ({low:.1f} to {high:.1f})")
    lines += [
        "",
        "Against a usual engine: " + ", ".join(f"{e.name} {e.value:.2f} ± {1.96 * e.sd:.2f}" for e in found.others),
    ]
    lines.append(
        f"Cylinder {found.leaking} leaks."
        if found.leaking is not None
        else "No cylinder surely leaks more than the others."
    )
    lines.append("Not explained by the twin (root mean square, and share of the channel's own swing):")
    lines += [
        f"  {name}: {rms:.2f} ({100 * share:.0f} %)" for name, rms, share in found.residuals if name != "torque balance"
    ]
    return "\n".join([*lines, *found.notes, *(f"CAUTION: {c}" for c in CARE)])

"""``tightside predict``: what a slipped cam or a leak would show on a gauge, before anything is opened."""

from __future__ import annotations

from math import isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tightside.cli.console import STDOUT, say, write_result
from tightside.cli.inputs import engine_or_none, pairs
from tightside.errors import UsageError

if TYPE_CHECKING:
    from tightside.forecast import Leak
    from tightside.records import Forecast
    from tightside.units import System

LEAK_FORM = "CYL=MM2, or CYL=MM2:intake or CYL=MM2:exhaust for a valve that does not seat"


def run(
    engine: Annotated[Path, typer.Option("--engine", help="Engine file, or a shipped engine's name.")],
    teeth: Annotated[
        list[str] | None, typer.Option("--teeth", metavar="CAM=N", help="Teeth that a cam is off, late positive.")
    ] = None,
    offset: Annotated[
        list[str] | None, typer.Option("--offset", metavar="CAM=DEG", help="Crank degrees instead, late positive.")
    ] = None,
    leak: Annotated[
        list[str] | None, typer.Option("--leak", metavar="CYL=MM2", help="A hole in a cylinder: 3=4, 3=4:exhaust.")
    ] = None,
    rpm: Annotated[
        float | None, typer.Option("--rpm", min=40.0, max=1000.0, help="Cranking speed; 200 where left out.")
    ] = None,
    map_kpa: Annotated[
        float | None,
        typer.Option("--map-kpa", min=10.0, max=300.0, help="Manifold pressure, absolute; open throttle if left out."),
    ] = None,
    units: Annotated[str, typer.Option("--units", help="metric or us, in the text and the report.")] = "metric",
    json_file: Annotated[
        str | None, typer.Option("--json", help="Write the result as JSON; - is standard output.")
    ] = None,
    report: Annotated[
        str | None, typer.Option("--report", metavar="F.html", help="Write a report with pictures.")
    ] = None,
) -> None:
    """What a compression gauge and a vacuum gauge would show with a cam off or a cylinder leaking, against in time."""
    from tightside.cli.diagnose import check_targets

    check_targets(json_file, report)
    system = _system(units)
    offsets = {cam: _number(v, "--offset", "1A=12.5", 360.0) for cam, v in pairs(offset, "--offset", "CAM=DEG").items()}
    counted = {cam: _whole(v) for cam, v in pairs(teeth, "--teeth", "CAM=N").items()}
    leaks = dict(_leak(c, v) for c, v in pairs(leak, "--leak", LEAK_FORM).items())
    from tightside.forecast import forecast

    described = engine_or_none(engine)
    assert described is not None
    found = forecast(described, offsets, counted, leaks, rpm=rpm, map_kpa=map_kpa)
    if json_file is not None:
        import json

        write_result(json_file, json.dumps(forecast_as_json(found), indent=2))
    if report is not None:
        from tightside.report.predict import render_forecast

        write_result(report, render_forecast(found, system))
    if STDOUT not in (json_file, report):
        say(as_text(found, system))


def _system(units: str) -> System:
    if units == "metric":
        return "metric"
    if units == "us":
        return "us"
    raise UsageError(code="units", what="--units is not understood", expected="metric or us", got=units)


def _number(value: str, option: str, example: str, most: float) -> float:
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if not isfinite(number) or abs(number) > most:
        raise UsageError(
            code="bad-number",
            what=f"{option} is not understood",
            expected=f"a number within {most:g}, such as {example}",
            got=value,
        )
    return number


def _whole(value: str) -> int:
    number = _number(value, "--teeth", "1A=1 or 2B=-2", 20.0)
    if number != int(number):
        hint = "A chain sits on whole teeth; for anything between use --offset"
        raise UsageError(
            code="bad-teeth", what="--teeth is not understood", expected="a whole number", got=value, hint=hint
        )
    return int(number)


def _leak(cylinder: str, value: str) -> tuple[int, Leak]:
    from tightside.forecast import Leak

    area, _, where = value.partition(":")
    mm2 = _number(area, "--leak", "3=4.0", 2000.0)
    if mm2 < 0 or where not in ("", "crankcase", "intake", "exhaust") or not cylinder.isdecimal():
        raise UsageError(
            code="bad-leak", what=f"--leak {cylinder}={value} is not understood", hint=f"Write it as {LEAK_FORM}"
        )
    return int(cylinder), Leak(mm2, where or "crankcase")


# --------------------------------------------------------------------------------------------------------- results


def forecast_as_json(found: Forecast) -> dict[str, Any]:
    """The result as the JSON contract has it, and more beside it."""
    from dataclasses import asdict

    cylinders = [_rounded(asdict(c)) for c in found.cylinders]
    return {
        "schema": "tightside/prediction/1",
        "engine": found.engine,
        "cylinders": cylinders,
        "manifold_kpa_abs": round(found.manifold_kpa_abs, 3),
        "rpm": found.rpm,
        "ambient_kpa": found.ambient_kpa,
        "cams": [{"cam": cam, "offset_deg": round(deg, 6), "teeth": n} for cam, deg, n in found.cams],
        "shut_throttle": None
        if found.shut_throttle_kpa_abs is None
        else {
            "manifold_kpa_abs": round(found.shut_throttle_kpa_abs[0], 2),
            "in_time_kpa_abs": round(found.shut_throttle_kpa_abs[1], 2),
        },
        "by_tooth": [_rounded(asdict(t)) for t in found.by_tooth],
        "unknowns": [_rounded(asdict(u)) for u in found.unknowns],
        "assumed": list(found.assumed),
        "notes": list(found.notes),
        "cautions": list(found.cautions),
    }


def _rounded(values: dict[str, Any]) -> dict[str, Any]:
    return {key: _round(value) for key, value in values.items()}


def _round(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 5)
    return [_round(v) for v in value] if isinstance(value, tuple) else value


def as_text(found: Forecast, system: System) -> str:
    """The result for the person at the bench."""
    from tightside.units import pressure_text

    lines = [f"{found.engine}: compression while cranking warm, {_how(found, system)}, {found.rpm:.0f} rpm", ""]
    lines += [f"Cam {cam}: {_where(deg, n)}" for cam, deg, n in found.cams]
    lines += ["", "A gauge would show, in brackets 95 in 100:"]
    for c in found.cylinders:
        low, high = (pressure_text(p, system) for p in c.gauge_ci95_kpa)
        share = f"{100 * c.relative_ci95[0]:.0f} to {100 * c.relative_ci95[1]:.0f} %"
        leak = f", leak of {c.leak_mm2:g} mm²" if c.leak_mm2 else ""
        lines.append(
            f"  cylinder {c.cylinder} (bank {c.bank})  {pressure_text(c.gauge_kpa, system):>8} ({low} to {high}), "
            f"{100 * c.relative_to_in_time:.0f} % of in time ({share}){leak}"
        )
    lines += ["", *_vacuum(found, system), *_worth(found)]
    lines += [f"Assumed: {text}" for text in found.assumed]
    lines += found.notes
    lines += [f"CAUTION: {text}" for text in found.cautions]
    return "\n".join(piece for line in lines for piece in _wrapped(line))


def _wrapped(line: str) -> list[str]:
    """A line of prose in pieces of at most 100 letters; lines of numbers as they are."""
    import textwrap

    return textwrap.wrap(line, 100, subsequent_indent="  ") if len(line) > 130 and line[:2] != "  " else [line]


def _how(found: Forecast, system: System) -> str:
    from tightside.units import pressure_text

    if found.shut_throttle_kpa_abs is None:
        return f"manifold at {pressure_text(found.manifold_kpa_abs, system)} absolute"
    return "throttle open"


def _where(deg: float, teeth: int | None) -> str:
    if abs(deg) < 0.05:
        return "in time"
    side = "late" if deg > 0 else "early"
    count = f" ({abs(teeth)} {'tooth' if abs(teeth) == 1 else 'teeth'})" if teeth else ""
    return f"{abs(deg):.1f} degrees {side}{count}"


def _vacuum(found: Forecast, system: System) -> list[str]:
    from tightside.units import vacuum_text

    if found.shut_throttle_kpa_abs is None:
        return []
    so, good = (found.ambient_kpa - p for p in found.shut_throttle_kpa_abs)
    return [
        f"Vacuum while cranking with the throttle shut: {vacuum_text(so, system)}, in time "
        f"{vacuum_text(good, system)}. It hangs on how tightly the throttle shuts: compare, do not trust the number."
    ]


def _worth(found: Forecast) -> list[str]:
    first = ", ".join(f"{u.name} ({u.taken}: {u.gauge_percent:.0f} %)" for u in found.unknowns[:3])
    return [f"What the reading hangs on most: {first}. Shares of in time are much surer than readings."]

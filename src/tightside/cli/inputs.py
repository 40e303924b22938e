"""What a command line names, turned into what the pipeline takes."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

from tightside.errors import UsageError

if TYPE_CHECKING:
    from tightside.causes.observations import Observations
    from tightside.engine.model import Engine


def engine_or_none(source: Path | None) -> Engine | None:
    """Read the engine file, if one was named: a path, or the name of a shipped engine."""
    if source is None:
        return None
    from tightside.engine.load import read_engine

    return read_engine(source)


def pairs(values: list[str] | None, option: str, form: str) -> dict[str, str]:
    """``NAME=VALUE`` options as a mapping. A role holds a colon but never an equals sign; a column may.

    Raises
    ------
    UsageError
        If one has no equals sign, nothing on one side of it, or a name is given twice.
    """
    found: dict[str, str] = {}
    for value in values or ():
        name, _, rest = (part.strip() for part in value.partition("="))
        if not name or not rest or name in found:
            raise UsageError(
                code="option-pair",
                what=f"{option} {value!r} " + ("names the same thing twice" if name in found else "is not understood"),
                hint=f"Write {option} {form}, each name once",
            )
        found[name] = rest
    return found


def factors(values: list[str] | None, option: str) -> dict[str, float]:
    """``NAME=FACTOR`` options as a mapping. A decimal comma is understood.

    Raises
    ------
    UsageError
        If one is no pair, or its factor is no number, or zero.
    """
    found: dict[str, float] = {}
    for name, text in pairs(values, option, "ROLE=FACTOR").items():
        try:
            found[name] = float(text.replace(",", "."))
        except ValueError:
            found[name] = 0.0
        if not math.isfinite(found[name]) or found[name] == 0.0:
            raise UsageError(code="option-factor", what=f"{option} {name}", expected="a number, not zero", got=text)
    return found


def codes_from(text: str) -> tuple[str, ...]:
    """Trouble codes from "P0016, p0340": upper case, in order, each once. Form as in SAE J2012.

    Raises
    ------
    UsageError
        If one is not a letter P, C, B or U and four digits, of which the first is 0 to 3 and the others hexadecimal.
    """
    found = [part.upper() for part in text.replace(",", " ").split()]
    for code in found:
        if not _is_code(code):
            raise UsageError(
                code="trouble-code",
                what="--codes holds something that is not a trouble code",
                expected="a letter P, C, B or U and four digits, as in P0016",
                got=code,
            )
    return tuple(dict.fromkeys(found))


def _is_code(code: str) -> bool:
    return len(code) == 5 and code[0] in "PCBU" and code[1] in "0123" and set(code[2:]) <= set("0123456789ABCDEF")


def observations_or_none(source: Path | None) -> Observations | None:
    """Read a file of observations, if one was named."""
    if source is None:
        return None
    from tightside.causes.observations import read_observations

    return read_observations(source)


def tools_from(text: str | None) -> list[str] | None:
    """Tools of the shop: a file with one to a line (a YAML list will do), or names with commas between; None: all."""
    if text is None:
        return None
    path = Path(text)
    if path.is_file():
        lines = path.read_text(encoding="utf-8").splitlines()
        found = [line.partition("#")[0].strip().removeprefix("-").strip() for line in lines]
        return [name for name in found if name and name != "tools:"]
    return [part.strip() for part in text.split(",") if part.strip()]

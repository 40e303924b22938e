"""What a command line names, turned into what the pipeline takes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from tightside.errors import UsageError

if TYPE_CHECKING:
    from tightside.causes.observations import Observations
    from tightside.engine.model import Engine
    from tightside.records import CodeFinding
    from tightside.timing.log_convention import Said


def engine_or_none(source: Path | None) -> Engine | None:
    """The engine, if one was named: a path, the name of a learned engine in the library, or that of a shipped one."""
    return None if source is None else engine_named(str(source))


def engine_named(source: str) -> Engine:
    """An engine by path, by its name in the library, or by that of a shipped one, in this order.

    Raises
    ------
    UsageError, DataError
        As ``read_engine`` does; the library's names are said with the shipped ones.
    """
    from tightside.engine.load import engine_from_text, read_engine
    from tightside.store.library import library_names, read_library

    text = None if Path(source).exists() else read_library(source)
    if text is not None:
        return engine_from_text(text, f"{source} (library)")
    try:
        return read_engine(source)
    except UsageError as error:
        if error.code != "no-engine-file" or not library_names():
            raise
        fields = error.fields() | {"hint": f"{error.hint}; or a learned one: {', '.join(library_names())}"}
        raise UsageError(**fields) from None


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
    """Trouble codes from "P0016, p0340:pending": upper case, in order, each once, a status kept behind its colon.

    Raises
    ------
    UsageError
        If one is not a letter P, C, B or U and four digits, of which the first is 0 to 3 and the others hexadecimal, or
        its status is none.
    """
    from tightside.codes.read import split_entry

    found: dict[str, str] = {}
    for entry in text.replace(",", " ").split():
        code, _, byte = split_entry(entry)
        status = entry.partition(":")[2]
        found.setdefault(code, f"{code}:{status if byte is None else f'{byte:02X}'}" if status else code)
    return tuple(found.values())


def code_table_or_none(source: Path | None) -> Mapping[str, CodeFinding] | None:
    """Read a table of makers' own codes, if one was named."""
    if source is None:
        return None
    from tightside.codes.own import read_code_table

    return read_code_table(source)


def phase_from(unit: str | None, sign: str | None) -> Said | None:
    """What was said of a log's cam phase: cam or crank degrees, and what a positive number means.

    Raises
    ------
    UsageError
        If a word is none of those.
    """
    from tightside.timing.log_convention import Said

    units: dict[str | None, Literal["crank", "cam"] | None] = {None: None, "crank": "crank", "cam": "cam"}
    signs: dict[str | None, Literal["early", "late"] | None] = {None: None, "early": "early", "late": "late"}
    signs |= {"advance": "early", "retard": "late"}
    for option, word, known in (("--phase-unit", unit, units), ("--phase-sign", sign, signs)):
        if word not in known:
            expected = "one of " + ", ".join(w for w in known if w)
            raise UsageError(code="phase-word", what=f"{option} is not understood", expected=expected, got=str(word))
    return Said(units[unit], signs[sign]) if unit or sign else None


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

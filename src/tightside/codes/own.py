"""A user's table of makers' own codes, YAML, as docs/logs-and-codes.md shows it.

::

    schema: tightside/codes/1
    codes:
      P1345:
        meaning: crank and cam do not agree, bank 1
        kind: correlation
        cam: 1A
        supports: {chain_slipped: strong, cam_signal: weak}
"""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from tightside.codes.wire import is_code
from tightside.errors import DataError, UsageError
from tightside.records import CauseName, CodeFinding, CodeKind, Weight

SCHEMA = "tightside/codes/1"
MAX_BYTES = 1_000_000


class OwnCode(BaseModel):
    """One entry of the table."""

    model_config = ConfigDict(extra="forbid")

    meaning: str = Field(min_length=1)
    kind: CodeKind = "other"
    bank: Literal["1", "2", 1, 2] | None = None
    cam: str | None = Field(default=None, pattern=r"^[1-9][AB]$")
    says: str = ""
    does_not_say: str = ""
    supports: dict[CauseName, Weight] = Field(default_factory=dict)
    points_to: tuple[str, ...] = ()


class OwnTable(BaseModel):
    """The whole file."""

    model_config = ConfigDict(extra="forbid", populate_by_name=True)

    schema_: Literal["tightside/codes/1"] = Field(alias="schema")
    codes: dict[str, OwnCode]


def read_code_table(path: str | os.PathLike[str]) -> dict[str, CodeFinding]:
    """Makers' own codes from a file, marked as not the standard's.

    Raises
    ------
    UsageError
        No such file.
    DataError
        It does not fit; the sentence names file, place and mend.
    """
    file = Path(path)
    if not file.is_file():
        raise UsageError(code="no-code-table", what=f"no code table {file}", hint="Give the path of a YAML file")
    with file.open("rb") as stream:
        raw = stream.read(MAX_BYTES + 1)
    if len(raw) > MAX_BYTES:
        raise DataError(code="code-table", what=f"{file.name} is over 1 MB, too large for a code table")
    try:
        return code_table_from_text(raw.decode("utf-8-sig"), file.name)
    except UnicodeDecodeError:
        raise DataError(code="code-table", what=f"{file.name} is not UTF-8 text") from None


def code_table_from_text(text: str, file: str = "code table") -> dict[str, CodeFinding]:
    """The same from YAML text; ``file`` is the name that errors carry."""
    try:
        table = OwnTable.model_validate(_parsed(text, file))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        hint = f"Begin with 'schema: {SCHEMA}'; docs/logs-and-codes.md shows a whole table"
        raise DataError(code="code-table", what=f"{file}: {where}: {first['msg']}", hint=hint) from None
    return {_checked(code, file): _finding(_checked(code, file), own, file) for code, own in table.codes.items()}


def _parsed(text: str, file: str) -> Any:
    from ruamel.yaml import YAML
    from ruamel.yaml.error import YAMLError

    try:
        return YAML(typ="safe", pure=True).load(io.StringIO(text))
    except (YAMLError, ValueError) as error:
        mark = getattr(error, "problem_mark", None)
        where = f" line {mark.line + 1}" if mark else ""
        problem = " ".join(str(getattr(error, "problem", None) or error).split())
        raise DataError(
            code="code-table", what=f"{file}{where}: {problem}", hint="Check indentation, colons and quotes there"
        ) from None


def _checked(code: str, file: str) -> str:
    text = str(code).strip().upper()
    if not is_code(text):
        expected = "a letter P, C, B or U and four digits, as in P1345"
        raise DataError(code="code-table", what=f"{file} names no trouble code", expected=expected, got=str(code))
    return text


def _finding(code: str, own: OwnCode, file: str) -> CodeFinding:
    return CodeFinding(
        code=code,
        meaning=own.meaning,
        standard=False,
        says=own.says or own.meaning,
        does_not_say=own.does_not_say,
        bank=str(own.bank) if own.bank is not None else own.cam[:1] if own.cam else None,
        cam=own.cam,
        kind=own.kind,
        supports=tuple(own.supports.items()),
        points_to=own.points_to,
        source=f"user's table {file}",
    )

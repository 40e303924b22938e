"""Codes as they are named at the counter -> what each says and supports."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import get_args

from tightside.codes.table import STANDARD, Family, Row, place
from tightside.codes.wire import is_code, is_standard_number, status_from_byte
from tightside.errors import DataError, UsageError
from tightside.records import CodeFinding, CodeStatus, Supports, Weight

#: one class weaker: a code that failed once and is not confirmed yet, or that did not come back after clearing
WEAKER: dict[Weight, Weight] = {"strong": "moderate", "moderate": "weak", "weak": "weak", "against": "against"}
UNSURE: tuple[CodeStatus, ...] = ("pending", "history")
STATUSES: tuple[CodeStatus, ...] = get_args(CodeStatus)


def read_codes(codes: Iterable[str], table: Mapping[str, CodeFinding] | None = None) -> tuple[CodeFinding, ...]:
    """What each code says, in the order in which they were given, each once.

    Parameters
    ----------
    codes : iterable of str
        "P0016", with a status after a colon: "P0016:pending", one of stored, pending, confirmed, permanent, new (came
        back after clearing), history; or the status byte of ISO 14229-1 in hexadecimal, "P0016:2F". A failure type
        byte after a hyphen ("P0016-78") is left aside.
    table : mapping of code to CodeFinding, optional
        Makers' own codes, from ``read_code_table``. It goes before the standard's.

    Raises
    ------
    UsageError
        What is not a code, or no status.

    Examples
    --------
    >>> [(f.cam, f.kind, f.status) for f in read_codes(["P0016", "p0021:pending"])]
    [('1A', 'correlation', 'stored'), ('2A', 'position', 'pending')]
    """
    found: dict[str, CodeFinding] = {}
    for text in codes:
        code, status, byte = split_entry(text)
        if code not in found or found[code].status == "stored":
            found[code] = _with_status(_finding(code, table or {}), status, byte)
    return tuple(found.values())


def split_entry(text: str) -> tuple[str, CodeStatus, int | None]:
    """Code, status and status byte of one entry.

    >>> split_entry("p0016:2f"), split_entry("P0340")
    (('P0016', 'confirmed', 47), ('P0340', 'stored', None))
    """
    name, _, said = text.strip().partition(":")
    code = name.strip().upper().partition("-")[0]
    if not is_code(code):
        raise UsageError(
            code="trouble-code",
            what="there is something that is not a trouble code",
            expected="a letter P, C, B or U and four digits, as in P0016 or P0016:pending",
            got=text,
        )
    word = said.strip().lower()
    status = next((s for s in STATUSES if s == word), None)
    if status is not None or not word:
        return code, status or "stored", None
    try:
        byte = int(word, 16)
        return code, status_from_byte(byte).word, byte
    except (ValueError, DataError) as error:
        raise _no_status(text, word) from error


def _no_status(text: str, word: str) -> UsageError:
    expected = f"one of {', '.join(STATUSES)}, or a status byte such as 2F"
    return UsageError(code="code-status", what=f"status of {text!r} is not understood", expected=expected, got=word)


def _finding(code: str, table: Mapping[str, CodeFinding]) -> CodeFinding:
    if code in table:
        return table[code]
    if code in STANDARD:
        return standard_finding(*STANDARD[code])
    return unknown_finding(code)


def standard_finding(family: Family, row: Row) -> CodeFinding:
    """A code of the standard's, from its family."""
    return CodeFinding(
        code=row.code,
        meaning=family.meaning.format(where=place(row.where), what=row.what),
        says=family.says,
        does_not_say=family.does_not_say,
        bank=row.where[:1] or None,
        cam=row.where if len(row.where) > 1 else None,
        kind=family.kind,
        supports=family.supports,
        points_to=family.points_to,
        source=f"{family.source}; weights: common practice, no source",
    )


def unknown_finding(code: str) -> CodeFinding:
    """A code that is in no table: kept, and said to be unknown."""
    standard = is_standard_number(code)
    owner = "the standard's own block" if standard else "a maker's block"
    return CodeFinding(
        code=code,
        meaning=f"unknown here: its number lies in {owner}",
        standard=standard,
        known=False,
        says="The module stored it.",
        does_not_say="What it means is not known here. Look it up in the maker's service information"
        + ("." if standard else ", and add it with --code-table if it bears on timing."),
        source="number block only",
    )


def _with_status(found: CodeFinding, status: CodeStatus, byte: int | None) -> CodeFinding:
    from dataclasses import replace

    supports: Supports = found.supports
    if status in UNSURE:
        supports = tuple((cause, WEAKER[weight]) for cause, weight in supports if weight != "against")
    return replace(found, status=status, status_byte=byte, supports=supports)

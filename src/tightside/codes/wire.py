"""A trouble code as the two bytes that travel on the wire, and the status byte that goes with it.

Two bytes: SAE J2012 and ISO 15031-6, from memory: the two highest bits are the letter (P, C, B, U), the next two the
first digit, then three hexadecimal digits. Status byte: ISO 14229-1, DTCStatusMask, from memory. The standards' text
was not read.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from tightside.errors import DataError
from tightside.records import CodeStatus

LETTERS = "PCBU"
CODE = re.compile(r"[PCBU][0-3][0-9A-F]{3}")


def is_code(text: str) -> bool:
    """Whether the text is a letter P, C, B or U and four digits, the first 0 to 3 and the others hexadecimal.

    >>> is_code("P0016"), is_code("P4016"), is_code("P00160")
    (True, False, False)
    """
    return CODE.fullmatch(text) is not None


def code_from_bytes(high: int, low: int) -> str:
    """The code that two bytes stand for.

    Examples
    --------
    >>> code_from_bytes(0x00, 0x16), code_from_bytes(0xC1, 0x00)
    ('P0016', 'U0100')

    Raises
    ------
    DataError
        If a value is no byte.
    """
    if not (0 <= high <= 0xFF and 0 <= low <= 0xFF):
        raise DataError(code="code-bytes", what="these are not two bytes", expected="0 to 255", got=f"{high}, {low}")
    return f"{LETTERS[high >> 6]}{high >> 4 & 0x3}{high & 0xF:X}{low:02X}"


def bytes_from_code(code: str) -> tuple[int, int]:
    """The two bytes of a code.

    Examples
    --------
    >>> bytes_from_code("B0340")
    (131, 64)

    Raises
    ------
    DataError
        If it is not a code.
    """
    if not is_code(code):
        expected = "a letter P, C, B or U and four digits, as in P0016"
        raise DataError(code="code-text", what="this is not a trouble code", expected=expected, got=code)
    return LETTERS.index(code[0]) << 6 | int(code[1]) << 4 | int(code[2], 16), int(code[3:], 16)


def is_standard_number(code: str) -> bool:
    """Whether the number lies in a block that the standard itself defines, whatever is known of the code.

    Second character 0 and, for P, 2 and P34 to P39; the rest are the makers' (SAE J2012, from memory).

    >>> [is_standard_number(code) for code in ("P0016", "P1345", "P3401", "U1000")]
    [True, False, True, False]
    """
    if code[1] == "0":
        return True
    return code[0] == "P" and (code[1] == "2" or (code[1] == "3" and code[2] in "456789"))


@dataclass(frozen=True, slots=True)
class Status:
    """The eight bits of a code's status, lowest first (ISO 14229-1, from memory)."""

    test_failed: bool
    test_failed_this_cycle: bool
    pending: bool
    confirmed: bool
    not_completed_since_clear: bool
    failed_since_clear: bool
    not_completed_this_cycle: bool
    warning_lamp: bool

    @property
    def word(self) -> CodeStatus:
        """The one word that says most.

        "confirmed" while its test still fails or failed in this cycle; "history" if it is confirmed from earlier only;
        "pending" before it is confirmed.
        """
        now = self.test_failed or self.test_failed_this_cycle
        if self.confirmed:
            return "confirmed" if now or self.pending else "history"
        return "pending" if self.pending or now or self.failed_since_clear else "stored"


def status_from_byte(byte: int) -> Status:
    """The bits of a status byte.

    Examples
    --------
    0x2F: the test fails now, in this cycle too, pending, confirmed and failed since the codes were cleared.

    >>> status_from_byte(0x2F).word, status_from_byte(0x08).word, status_from_byte(0x04).word
    ('confirmed', 'history', 'pending')
    """
    if not 0 <= byte <= 0xFF:
        raise DataError(code="status-byte", what="this is not a status byte", expected="0 to FF", got=f"{byte:X}")
    return Status(*(bool(byte >> bit & 1) for bit in range(8)))


def byte_from_status(status: Status) -> int:
    """The byte of a status.

    >>> byte_from_status(status_from_byte(0xA9)) == 0xA9
    True
    """
    bits = (
        status.test_failed,
        status.test_failed_this_cycle,
        status.pending,
        status.confirmed,
        status.not_completed_since_clear,
        status.failed_since_clear,
        status.not_completed_this_cycle,
        status.warning_lamp,
    )
    return sum(bit << place for place, bit in enumerate(bits))

"""Every error that tightside raises on purpose, split by whose fault it is.

::

    TightsideError
    +-- UsageError      the caller asked for something that does not exist or does not fit     exit 2
    +-- DataError       a file or a signal cannot be used as it is                             exit 2
    +-- OutsideError    a disk, link or store did not answer                                   exit 4
    +-- InternalError   our own mistake                                                        exit 70

Thin evidence is never an error: a recording that is too short to judge gives a result that says so.
"""

from __future__ import annotations

from typing import Any


def _rebuild(kind: type[TightsideError], fields: dict[str, str]) -> TightsideError:
    return kind(**fields)


class TightsideError(Exception):
    """One sentence a technician can act on: what, where, expected, got, what to do.

    Parameters
    ----------
    code : str
        Stable, for programs: lower case words joined by hyphens ("no-time-column").
    what : str
        What is wrong, in plain words.
    expected, got, where, hint : str
        Optional parts of the sentence. Numbers carry their unit.
    """

    exit_code = 70

    def __init__(
        self,
        *,
        code: str,
        what: str,
        expected: str = "",
        got: str = "",
        where: str = "",
        hint: str = "",
    ) -> None:
        self.code = code
        self.what = what
        self.expected = expected
        self.got = got
        self.where = where
        self.hint = hint
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """The whole error on one line."""
        text = self.what
        if self.expected and self.got:
            text += f": expected {self.expected}, got {self.got}"
        elif self.expected or self.got:
            text += f": expected {self.expected}" if self.expected else f": got {self.got}"
        if self.where:
            text += f" ({self.where})"
        text = text.rstrip(".") + "."
        if self.hint:
            text += f" {self.hint.rstrip('.')}."
        return " ".join(text.split())

    def fields(self) -> dict[str, str]:
        """What the constructor was given, so that the error can cross processes."""
        return {
            "code": self.code,
            "what": self.what,
            "expected": self.expected,
            "got": self.got,
            "where": self.where,
            "hint": self.hint,
        }

    def __reduce__(self) -> tuple[Any, ...]:
        return _rebuild, (type(self), self.fields())


class UsageError(TightsideError):
    """The caller asked for something that does not exist or does not fit."""

    exit_code = 2


class DataError(TightsideError):
    """A file or a signal cannot be used as it is."""

    exit_code = 2


class OutsideError(TightsideError):
    """A disk, link or store outside the program did not do its part."""

    exit_code = 4


class InternalError(TightsideError):
    """A mistake of ours."""

    exit_code = 70

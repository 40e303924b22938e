"""YAML that a person wrote: parsed with its lines kept, and complaints that name one of them."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any

from tightside.errors import DataError

Problem = tuple[int, str, str, str]  # line, dotted place, what is wrong, mend


def data_from_yaml(text: str, file: str, code: str) -> Any:
    """The text as mappings and lists that know their lines (``.lc``).

    Parameters
    ----------
    file, code : name and code that an error carries

    Raises
    ------
    DataError
        It is not YAML; the sentence names the line.
    """
    from ruamel.yaml import YAML
    from ruamel.yaml.error import MarkedYAMLError, YAMLError

    try:
        return YAML(typ="rt").load(io.StringIO(text))
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        problem = " ".join((error.problem or "it is not YAML").split())
        raise DataError(
            code=code,
            what=f"{file} line {mark.line + 1 if mark else 1}: {problem}",
            hint="Check indentation, colons, brackets and quotes there and on the line above",
        ) from None
    except (YAMLError, ValueError) as error:
        raise DataError(code=code, what=f"{file} line 1: {' '.join(str(error).split())}") from None


def first_complaint(problems: Iterable[Problem], file: str, code: str) -> DataError:
    """The error about the topmost of several problems; how many more there are is said."""
    ranked = sorted(problems, key=lambda p: p[0])
    line, path, what, mend = ranked[0]
    more = f" ({len(ranked) - 1} more after this one)" if len(ranked) > 1 else ""
    where = f"{path}: " if path else ""
    return DataError(code=code, what=f"{file} line {line}: {where}{what}{more}", hint=mend)

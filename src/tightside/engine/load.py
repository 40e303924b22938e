"""Read an engine file; every error names the file, the line and the mend."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import IO, Any

from pydantic import ValidationError

from tightside.engine.model import SCHEMA, Engine, Misfit
from tightside.errors import DataError, UsageError
from tightside.yaml_text import data_from_yaml, first_complaint

MAX_BYTES = 2_000_000

PLAIN = {
    "missing": ("this field is missing", "Add it; docs/engine-file.md shows a whole file."),
    "int_type": ("a whole number is needed", "Write a number without a fraction or quotes."),
    "int_parsing": ("a whole number is needed", "Write a number without a fraction or quotes."),
    "int_from_float": ("a whole number is needed", "Write a number without a fraction."),
    "float_type": ("a number is needed", "Write a number such as 89.0."),
    "float_parsing": ("a number is needed", "Write a number such as 89.0, without a unit."),
    "finite_number": ("a finite number is needed", "Write a number such as 89.0, or leave the field out."),
    "tuple_type": ("a list is needed", "Write it in square brackets, such as [58, 59]."),
    "model_type": ("a group of fields is needed", "Write the fields indented below it."),
    "dict_type": ("a group of fields is needed", "Write the fields indented below it."),
    "string_type": ("text is needed", "Put it in quotes."),
}


def shipped_names() -> tuple[str, ...]:
    """Names of the engines that come with the package."""
    return tuple(sorted(p.name.removesuffix(".yaml") for p in _shipped().iterdir() if p.name.endswith(".yaml")))


def read_engine(source: str | Path | IO[str] | IO[bytes]) -> Engine:
    """Read an engine file.

    Parameters
    ----------
    source : path, open stream, or the name of a shipped engine ("demo-v6")

    Returns
    -------
    Engine

    Raises
    ------
    UsageError
        No such file, and no shipped engine of that name.
    DataError
        Not YAML, or it does not fit; the sentence names file, line, field and mend.
    """
    file, text = _text_of(source)
    return engine_from_text(text, file)


def engine_from_text(text: str, file: str = "engine file") -> Engine:
    """An engine from YAML (or JSON) text; ``file`` is the name that errors carry."""
    data = data_from_yaml(text, file, "engine-file")
    if not isinstance(data, dict):
        raise DataError(
            code="engine-file",
            what=f"{file} line 1: an engine file is a group of 'field: value' lines, this is not",
            hint=f"Begin with 'schema: {SCHEMA}'",
        )
    try:
        return Engine.model_validate(_plain(data))
    except ValidationError as error:
        raise first_complaint((_problem(e, data) for e in error.errors()), file, "engine-file") from None


def _shipped() -> Any:
    return resources.files("tightside.engine") / "shipped"


def _text_of(source: str | Path | IO[str] | IO[bytes]) -> tuple[str, str]:
    if not isinstance(source, str | Path):
        raw = source.read(MAX_BYTES + 1)
        return str(getattr(source, "name", "engine file")), _decoded(raw, "engine file")
    path = Path(source)
    if path.is_file():
        with path.open("rb") as stream:
            return path.name, _decoded(stream.read(MAX_BYTES + 1), path.name)
    name = str(source)
    if name in shipped_names():
        return f"{name}.yaml", (_shipped() / f"{name}.yaml").read_text(encoding="utf-8")
    what = f"{name} is a folder, not an engine file" if path.is_dir() else f"no engine file {name}"
    raise UsageError(
        code="no-engine-file", what=what, hint=f"Give a path, or a shipped engine: {', '.join(shipped_names())}"
    )


def _decoded(raw: str | bytes, file: str) -> str:
    if len(raw) > MAX_BYTES:
        raise DataError(code="engine-file", what=f"{file} is over 2 MB, too large for an engine file")
    if isinstance(raw, str):
        return raw
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise DataError(
            code="engine-file", what=f"{file} line 1: this is not UTF-8 text", hint="Give the engine's YAML file"
        ) from None


def _plain(node: Any) -> Any:
    if isinstance(node, dict):
        return {key: _plain(value) for key, value in node.items()}
    if isinstance(node, list):
        return [_plain(value) for value in node]
    return node


def _problem(entry: Any, data: Any) -> tuple[int, str, str, str]:
    loc = tuple(entry["loc"])
    misfit = entry.get("ctx", {}).get("error")
    if isinstance(misfit, Misfit):
        loc = loc + misfit.path
        return _line(loc, data), _path(loc, data), misfit.what, misfit.mend
    what, mend = PLAIN.get(entry["type"], (_lowered(entry["msg"]), ""))
    value = entry.get("input")
    if entry["type"] != "missing" and isinstance(value, str | int | float):
        what += f", got {value!r}"
    return _line(loc, data), _path(loc, data), what, mend


def _lowered(message: str) -> str:
    message = message.removeprefix("Input ").removeprefix("Value error, ")
    return message[:1].lower() + message[1:]


def _walk(loc: tuple[Any, ...], data: Any) -> list[tuple[Any, Any]]:
    """The (container, key) pairs along a location; steps that are not in the file are left out."""
    steps: list[tuple[Any, Any]] = []
    node = data
    for key in loc:
        if isinstance(node, dict):
            found = next((k for k in node if k == key or str(k) == str(key)), None)
            if found is None:
                continue
            steps.append((node, found))
            node = node[found]
        elif isinstance(node, list) and isinstance(key, int) and key < len(node):
            steps.append((node, key))
            node = node[key]
    return steps


def _line(loc: tuple[Any, ...], data: Any) -> int:
    steps = _walk(loc, data)
    if not steps:
        return 1
    node, key = steps[-1]
    lines = node.lc
    place = lines.item(key) if isinstance(node, list) else lines.key(key)
    return int(place[0]) + 1


def _path(loc: tuple[Any, ...], data: Any) -> str:
    """Dotted place for people; list positions count from 1 and only where they tell entries apart."""
    text = ""
    node = data
    for key in loc:
        if isinstance(node, list) and isinstance(key, int):
            node = node[key] if key < len(node) else None
            if isinstance(node, dict):
                text += f"[{key + 1}]"
        else:
            text += f".{key}" if text else str(key)
            node = node.get(key) if isinstance(node, dict) else None
    return text

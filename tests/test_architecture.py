"""Arrows between rooms, promises of records and errors, and documents in step with the program."""

from __future__ import annotations

import ast
import dataclasses
import importlib
import pickle
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import tightside
from tightside import errors, records
from tightside.cli.main import VERBS
from tightside.errors import TightsideError
from tightside.records import RAW_DTYPES, Record

ROOT = Path(tightside.__file__).parent
DOCS = [Path(__file__).parent.parent / "README.md", *(Path(__file__).parent.parent / "docs").rglob("*.md")]

ROOMS = (
    "engine",
    "recordings",
    "signals",
    "timing",
    "cylinders",
    "airflow",
    "codes",
    "twin",
    "causes",
    "decision",
    "report",
)
SHARED = ("records", "errors", "units", "yaml_text")
MAY_IMPORT: dict[str, tuple[str, ...]] = {
    "records": ("errors",),
    "errors": (),
    "units": (),
    "yaml_text": ("errors",),
    "diagnosis": SHARED,
    **{room: (room, *SHARED) for room in ROOMS},
    "report": ("report", "diagnosis", *SHARED),
    "joins": (*ROOMS, "joins", "diagnosis", *SHARED),
    "pipeline": (*ROOMS, "joins", "diagnosis", *SHARED),
    "forecast": ("engine", "twin", *SHARED),
    "learning": ("engine", "signals", "timing", *SHARED),
    "matching": (*ROOMS, "pipeline", "forecast", "diagnosis", *SHARED),
    "store": ("store", *SHARED),
    "cli": (*ROOMS, "cli", "store", "pipeline", "forecast", "learning", "matching", "diagnosis", *SHARED),
}
NOT_IN_ROOMS = {"os.environ", "os.getenv", "time.time", "datetime.now", "datetime.today", "np.random.seed", "input"}
SLOW_TO_IMPORT = ("scipy.stats", "matplotlib", "numba")


def modules() -> Iterator[tuple[str, str, Path]]:
    """(room, dotted name, path) of every source file."""
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(("tightside", *(p for p in parts if p != "__init__")))
        yield ("" if parts == ("__init__",) else parts[0]), name, path


def imports_of(path: Path) -> Iterator[str]:
    """Dotted names that a file imports, also inside functions: ``from a.b import c`` gives a.b.c."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


ALL = list(modules())


@pytest.mark.parametrize(("room", "name", "path"), ALL, ids=[name for _, name, _ in ALL])
def test_imports_follow_the_arrows(room: str, name: str, path: Path) -> None:
    targets = {full.split(".")[1] for full in imports_of(path) if full.startswith("tightside.")} - {"__version__"}
    assert room == "" or room in MAY_IMPORT, f"{name} is in no known room"
    assert targets <= set(MAY_IMPORT.get(room, ())), f"{name} reaches into {targets - set(MAY_IMPORT.get(room, ()))}"


def test_arrows_would_be_seen_if_broken(tmp_path: Path) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("def f():\n    from tightside.timing import teeth\n    import tightside.signals.clock\n")
    assert list(imports_of(bad)) == ["tightside.timing.teeth", "tightside.signals.clock"]


@pytest.mark.parametrize(("room", "name", "path"), ALL, ids=[name for _, name, _ in ALL])
def test_rooms_ask_neither_clock_nor_environment_nor_people(room: str, name: str, path: Path) -> None:
    if room in ("cli", "store", ""):  # the rim
        return
    tree = ast.parse(path.read_text(encoding="utf-8"))
    called = {ast.unparse(node) for node in ast.walk(tree) if isinstance(node, ast.Attribute | ast.Name)}
    assert not called & NOT_IN_ROOMS


@pytest.mark.parametrize(("room", "name", "path"), ALL, ids=[name for _, name, _ in ALL])
def test_verbs_load_nothing_slow_before_they_are_called(room: str, name: str, path: Path) -> None:
    if room != "cli":
        return
    body = ast.parse(path.read_text(encoding="utf-8")).body
    top = [ast.unparse(node) for node in body if isinstance(node, ast.Import | ast.ImportFrom)]
    allowed = ("tightside.cli", "tightside.errors", "import tightside")
    ours = [line for line in top if "tightside" in line and not any(a in line for a in allowed)]
    assert not ours and not [line for line in top if "numpy" in line or any(slow in line for slow in SLOW_TO_IMPORT)]


def test_source_names_no_issue_session_or_machine() -> None:
    words = re.compile(r"issue #?\d|transcript|/home/|/root/|\bTODO\b|\bFIXME\b", re.IGNORECASE)
    found = [f"{name}: {m.group()}" for _, name, path in ALL for m in words.finditer(path.read_text(encoding="utf-8"))]
    assert found == []


# ------------------------------------------------------------------------------------------------ errors, records


def kinds_of_error() -> list[type[TightsideError]]:
    return [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, TightsideError)]


@pytest.mark.parametrize("kind", kinds_of_error())
def test_errors_cross_processes_alive(kind: type[TightsideError]) -> None:
    error = kind(code="no-gap", what="no tooth gap", expected="1 per 35 teeth", got="0", where="crank", hint="Try it")
    copy = pickle.loads(pickle.dumps(error))
    assert type(copy) is kind
    assert copy.fields() == error.fields() and str(copy) == str(error)
    assert str(error) == "no tooth gap: expected 1 per 35 teeth, got 0 (crank). Try it."


def kinds_of_record() -> list[type[Record]]:
    for module in pkgutil.walk_packages([str(ROOT)], "tightside."):
        if not module.name.startswith("tightside.cli"):
            importlib.import_module(module.name)
    waiting, found = [Record], []
    while waiting:
        for kind in waiting.pop().__subclasses__():
            waiting.append(kind)
            if kind.__module__.startswith("tightside."):
                found.append(kind)
    return sorted(set(found), key=lambda kind: (kind.__module__, kind.__qualname__))


def test_records_are_frozen_and_without_field_by_field_equality() -> None:
    found = kinds_of_record()
    assert len(found) > 10
    for kind in found:
        parameters = kind.__dataclass_params__  # type: ignore[attr-defined]
        assert parameters.frozen, kind
        assert not parameters.eq, kind


def in_records_module() -> list[type[Record]]:
    kinds = [kind for kind in vars(records).values() if isinstance(kind, type) and issubclass(kind, Record)]
    return [kind for kind in kinds if kind is not Record]


@pytest.mark.parametrize("kind", in_records_module())
def test_record_arrays_are_read_only_also_after_a_pickle(kind: type[Record]) -> None:
    declared = {f.name: f.metadata["array"] for f in dataclasses.fields(kind) if "array" in f.metadata}  # type: ignore[arg-type]
    values = {name: np.zeros((2,) * ndim, dtype or np.int16) for name, (dtype, ndim) in declared.items()}
    needed = {
        f.name: "x" for f in dataclasses.fields(kind)  # type: ignore[arg-type]
        if f.name not in declared and f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING
    }  # fmt: skip
    made = kind(**values, **needed)
    for record in (made, pickle.loads(pickle.dumps(made))):
        for name in declared:
            with pytest.raises(ValueError, match="read-only"):
                getattr(record, name)[...] = 1
        for f in dataclasses.fields(record):  # type: ignore[arg-type]
            with pytest.raises(dataclasses.FrozenInstanceError):
                setattr(record, f.name, getattr(record, f.name))


def test_raw_dtypes_keep_a_recording_as_small_as_it_came() -> None:
    for dtype in RAW_DTYPES:
        assert records.Trace(np.zeros(3, dtype)).raw.dtype == dtype


# ------------------------------------------------------------------------------------------------------ documents


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_is_documented(verb: str) -> None:
    assert any(re.search(rf"tightside {verb}\b", doc.read_text(encoding="utf-8")) for doc in DOCS)


def test_every_unit_suffix_is_in_the_nomenclature() -> None:
    page = next(doc for doc in DOCS if doc.name == "nomenclature.md").read_text(encoding="utf-8")
    suffix = re.compile(r"_(deg|s|rpm|mm|hz|v|kpa|cam_deg|deg_s|deg_per_krpm|deg_per_s)\b")
    used = {m.group(1) for m in suffix.finditer((ROOT / "records.py").read_text(encoding="utf-8"))}
    assert {u for u in used if f"`_{u}`" not in page} == set()

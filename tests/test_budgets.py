"""What a user waits for, held to its budget.

Processor seconds are judged, not time on the wall: they are the wait on a quiet machine, and a busy one does not change
them much. ``make bench`` prints both.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


@pytest.fixture(scope="module")
def start() -> ModuleType:
    path = Path(__file__).parent.parent / "benchmarks" / "bench_start.py"
    spec = importlib.util.spec_from_file_location("bench_start", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["bench_start"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def figures(start: ModuleType) -> dict[str, float]:
    found: dict[str, float] = start.measure()
    return found


@pytest.mark.slow
@pytest.mark.parametrize("what", ["help", "import", "first_run", "verdict"])
def test_wait_is_within_its_budget(what: str, start: ModuleType, figures: dict[str, float]) -> None:
    assert figures[f"{what}_processor_s"] < start.BUDGETS_S[what]


@pytest.mark.slow
def test_first_run_says_so_in_one_line(figures: dict[str, float]) -> None:
    assert figures["first_run_lines"] == 1

"""How long a user waits: help, import, a cold verdict with compiled code stored, and the first run, which compiles.

Each figure is the best of some fresh processes. Beside the time on the wall stands the processor time: on a quiet
machine they agree, on a busy one only the second says something about the program.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

ENTRY = [sys.executable, "-c", "from tightside.cli.main import main; main()"]
ENGINE = "demo-i4"
BUDGETS_S = {"help": 0.4, "import": 0.1, "first_run": 15.0, "verdict": 2.5}


def make_recording(folder: Path, size_bytes: int = 1_000_000) -> Path:
    """A CSV of that size or a little less: the in-line four at idle, 20 000 samples a second."""
    path = folder / "recording.csv"
    run("simulate", "--engine", ENGINE, "--seconds", "4", "--rate", "20000", "--out", str(path))
    kept = path.read_bytes()[:size_bytes]
    path.write_bytes(kept[: kept.rfind(b"\n") + 1])
    return path


@dataclass(frozen=True)
class Took:
    """One process, from start to end."""

    wall_s: float
    processor_s: float
    said: str = ""


def run(*arguments: str, cache: Path | None = None) -> Took:
    """The command line in a fresh process."""
    return timed([*ENTRY, *arguments], cache)


def timed(command: list[str], cache: Path | None = None) -> Took:
    """A command in a fresh process; what it says on standard error is kept.

    Raises
    ------
    CalledProcessError
        It did not end well.
    """
    environment = os.environ | ({"NUMBA_CACHE_DIR": str(cache)} if cache is not None else {})
    before, began_s = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
    wall_s, after = time.perf_counter() - began_s, resource.getrusage(resource.RUSAGE_CHILDREN)
    processor_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Took(wall_s, processor_s, done.stderr)


def best_of(count: int, command: list[str], cache: Path | None = None) -> Took:
    """The least of each figure over so many runs."""
    took = [timed(command, cache) for _ in range(count)]
    return Took(min(t.wall_s for t in took), min(t.processor_s for t in took))


def measure(count: int = 3) -> dict[str, float]:
    """All figures, in seconds on the wall and of processor: help, import, first run (which compiles), cold verdict."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        diagnose = [*ENTRY, "diagnose", str(make_recording(folder)), "--engine", ENGINE]
        bare = best_of(count, [sys.executable, "-c", "pass"])
        loaded = best_of(count, [sys.executable, "-c", "import tightside"])
        took = {
            "help": best_of(count, [*ENTRY, "--help"]),
            "import": Took(loaded.wall_s - bare.wall_s, loaded.processor_s - bare.processor_s),
            "first_run": (first := timed(diagnose, folder / "cache")),
            "verdict": best_of(count, diagnose, folder / "cache"),
        }
    figures = {f"{name}_{kind}": getattr(t, kind) for name, t in took.items() for kind in ("wall_s", "processor_s")}
    return figures | {"first_run_lines": float(first.said.count("First run"))}


def main() -> None:
    """Print each figure beside its budget."""
    figures = measure()
    for name, budget_s in BUDGETS_S.items():
        wall_s, processor_s = figures[f"{name}_wall_s"], figures[f"{name}_processor_s"]
        print(f"{name:10} {wall_s:7.2f} s on the wall {processor_s:7.2f} s of processor   budget {budget_s:.2f} s")
    print(f"first run says so in {figures['first_run_lines']:.0f} line")


if __name__ == "__main__":
    main()

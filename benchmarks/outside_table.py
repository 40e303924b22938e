"""How well the verdict does on the outside generator's recordings: one table, and the seeds of what went wrong.

    python benchmarks/outside_table.py --cases 200 --seed 1000 --workers 2
    python benchmarks/outside_table.py --only 1017 --keep /tmp/case

Each case goes the whole way, from the file to the result that ``tightside diagnose --json`` prints.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import subprocess
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests"))

from outside.generator import Case, draw_case  # noqa: E402

SURE = 0.9


@dataclass(frozen=True)
class Outcome:
    """What the software said about one case: an exit status, the result, and the last line of any complaint."""

    exit: int
    result: dict[str, Any] = field(default_factory=dict)
    complaint: str = ""
    seconds: float = 0.0


@dataclass(frozen=True)
class Row:
    """One recorded cam: the truth, and what was said of it."""

    seed: int
    cam: str
    mode: str
    truth: dict[str, Any]
    said: dict[str, Any]
    outcome: Outcome
    disturbances: tuple[str, ...] = ()

    @property
    def call(self) -> int | None:
        return self.said.get("teeth_call")

    @property
    def call_probability(self) -> float:
        return float((self.said.get("teeth") or {}).get(str(self.call), 0.0))

    @property
    def wrong(self) -> bool:
        return self.call is not None and self.call != self.truth["teeth"]

    @property
    def error_deg(self) -> float | None:
        offset = self.said.get("offset_deg")
        return None if offset is None or not self.truth["offset_known"] else offset - self.truth["offset_deg"]

    @property
    def covered(self) -> bool | None:
        interval = self.said.get("ci95_deg")
        if not interval or self.error_deg is None:
            return None
        return bool(interval[0] <= self.truth["offset_deg"] <= interval[1])

    def line(self) -> str:
        truth, said = self.truth, self.said
        offset = "none" if truth["offset_deg"] is None else f"{truth['offset_deg']:+.2f}"
        given = "none" if said.get("offset_deg") is None else f"{said['offset_deg']:+.2f}"
        return (
            f"seed {self.seed} {self.cam} {self.mode}: true {offset} deg, {truth['teeth']} teeth"
            f"{', erratic' if truth['erratic'] else ''}; said {given} deg, CI {said.get('ci95_deg')}, {self.call} teeth"
            f" p={self.call_probability:.2f}, {said.get('state', self.outcome.complaint[:60] or 'nothing')!r}"
            f"{' | not callable: ' + truth['reason'] if truth['reason'] else ''} | {'; '.join(self.disturbances)[:150]}"
        )


# ------------------------------------------------------------------------------------------------------- running


def diagnose_case(case: Case, folder: Path, *, by_command: bool = False) -> Outcome:
    """From files on disk to the JSON result, in this process or through the command."""
    recording, engine = case.write(folder / "recording.csv"), case.write_engine(folder / "engine.yaml")
    begin = time.perf_counter()
    exit_code, text, complaint = (_by_command if by_command else _in_process)(recording, engine, case.channels)
    result = json.loads(text) if exit_code == 0 else {}
    return Outcome(exit_code, result, complaint, time.perf_counter() - begin)


def _in_process(recording: Path, engine: Path, channels: dict[str, str]) -> tuple[int, str, str]:
    from tightside import pipeline
    from tightside.engine.load import read_engine
    from tightside.errors import TightsideError

    try:
        examination = pipeline.diagnose([recording], engine=read_engine(engine), channels=channels)
        return 0, examination.diagnosis.to_json(), ""
    except TightsideError as problem:
        return problem.exit_code, "", str(problem)
    except Exception:  # whatever escapes is a crash, and counted as one
        return 70, "", traceback.format_exc()


def _by_command(recording: Path, engine: Path, channels: dict[str, str]) -> tuple[int, str, str]:
    by_hand = [part for role, column in channels.items() for part in ("--channel", f"{role}={column}")]
    program = "from tightside.cli.main import main; main()"
    command = [sys.executable, "-c", program, "diagnose", str(recording), "--engine", str(engine), "--json", "-"]
    done = subprocess.run([*command, *by_hand], capture_output=True, text=True, timeout=300, check=False)
    return done.returncode, done.stdout, done.stderr.strip()


def rows_of(case: Case, outcome: Outcome) -> list[Row]:
    said = {c["cam"]: c for c in outcome.result.get("cams", [])}
    notes = tuple(case.truth["disturbances"])
    return [
        Row(case.seed, cam, case.truth["mode"], truth, said.get(cam, {}), outcome, notes)
        for cam, truth in case.truth["cams"].items()
    ]


def run_seed(job: tuple[int, bool]) -> list[Row]:
    seed, by_command = job
    case = draw_case(seed)
    with tempfile.TemporaryDirectory() as folder:
        return rows_of(case, diagnose_case(case, Path(folder), by_command=by_command))


def run_all(seeds: Iterable[int], workers: int, by_command: bool) -> list[Row]:
    jobs = [(s, by_command) for s in seeds]
    if workers < 2:
        return [row for job in jobs for row in run_seed(job)]
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return [row for rows in pool.imap(run_seed, jobs, chunksize=4) for row in rows]


# ------------------------------------------------------------------------------------------------------- counting


def share(values: list[bool]) -> str:
    return f"{100 * np.mean(values):.1f} % of {len(values)}" if values else "none to judge"


def crashed(rows: list[Row]) -> list[Row]:
    """One row per case that ended otherwise than with a result or a refusal."""
    return list({r.seed: r for r in rows if r.outcome.exit not in (0, 2)}.values())


def crashes_by_last_line(rows: list[Row]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for row in crashed(rows):
        found.setdefault(row.outcome.complaint.strip().rsplit("\n", 1)[-1][:200], []).append(row.seed)
    return found


def summary(rows: list[Row]) -> list[tuple[str, str]]:
    """The lines of the table."""
    callable_rows = [r for r in rows if r.truth["callable"]]
    others = [r for r in rows if not r.truth["callable"]]
    held = [r for r in rows if r.truth["erratic_known"]]
    steady = [r for r in held if not r.truth["erratic"]]
    lines = [
        ("cases, cams, callable cams", f"{len({r.seed for r in rows})}, {len(rows)}, {len(callable_rows)}"),
        ("tooth call right, of callable", share([r.call == r.truth["teeth"] for r in callable_rows])),
        ("not called, of callable", share([r.call is None for r in callable_rows])),
        ("called wrong, of callable", share([r.wrong for r in callable_rows])),
        (f"wrong at p >= {SURE}", _sure_and_wrong(callable_rows)),
        ("not callable: called at all", share([r.call is not None for r in others])),
        (f"not callable: wrong at p >= {SURE}", _sure_and_wrong(others)),
        ("95 % interval covers", share([r.covered for r in rows if r.covered is not None])),
    ]
    for mode in ("running", "cranking"):
        of_mode = [r for r in rows if r.mode == mode]
        lines.append((f"95 % interval covers, {mode}", share([r.covered for r in of_mode if r.covered is not None])))
        lines.append((f"|offset error|, {mode}", _error_text(of_mode)))
    known = [r for r in rows if r.truth["offset_known"]]
    return [
        *lines,
        ("offset off by more than 2 deg, cases", _seeds({r.seed for r in rows if abs(r.error_deg or 0) > 2})),
        ("|offset error| of the rest", _error_text([r for r in rows if abs(r.error_deg or 0) <= 2])),
        ("half width of interval, median", _half_width_text(known)),
        ("no offset given where there is one", share([r.said.get("offset_deg") is None for r in known])),
        ("erratic flagged", share([r.said.get("state") == "erratic" for r in held if r.truth["erratic"]])),
        (
            "steady called erratic",
            share([r.said.get("state") == "erratic" for r in steady if r.truth["moves"] == "steady"]),
        ),
        (
            "phaser moved on purpose called erratic",
            share([r.said.get("state") == "erratic" for r in steady if r.truth["moves"] != "steady"]),
        ),
        ("refused (exit 2), cases", _seeds({r.seed for r in rows if r.outcome.exit == 2})),
        ("crashed (other exit), cases", _seeds({r.seed for r in crashed(rows)})),
        ("seconds a case: median, most", _time_text(rows)),
    ]


def _seeds(seeds: set[int]) -> str:
    return f"{len(seeds)}" + (f"  seeds {' '.join(map(str, sorted(seeds)[:12]))}" if seeds else "")


def _sure_and_wrong(rows: list[Row]) -> str:
    return _seeds({r.seed for r in rows if r.wrong and r.call_probability >= SURE})


def _error_text(rows: list[Row]) -> str:
    errors = np.abs([e for r in rows if (e := r.error_deg) is not None])
    if not len(errors):
        return "none to judge"
    p50, p95 = np.percentile(errors, [50, 95])
    return f"mean {errors.mean():.3f}  median {p50:.3f}  95th percentile {p95:.3f} deg, of {len(errors)}"


def _half_width_text(rows: list[Row]) -> str:
    widths = [(ci[1] - ci[0]) / 2 for r in rows if (ci := r.said.get("ci95_deg"))]
    return f"{np.median(widths):.3f} deg" if widths else "none to judge"


def _time_text(rows: list[Row]) -> str:
    seconds = list({r.seed: r.outcome.seconds for r in rows}.values())
    return f"{np.median(seconds):.2f}, {max(seconds):.2f}" if seconds else "-"


def worst(rows: list[Row], count: int) -> list[tuple[str, list[Row]]]:
    """Rows that deserve a look, by what is wrong with them."""
    off = [r for r in rows if r.error_deg is not None]
    answered = [r for r in rows if r.outcome.exit in (0, 2)]
    return [
        ("wrong calls, surest first", sorted((r for r in rows if r.wrong), key=lambda r: -r.call_probability)[:count]),
        ("largest offset errors", sorted(off, key=lambda r: -abs(r.error_deg or 0))[:count]),
        ("callable, not called", [r for r in answered if r.truth["callable"] and r.call is None][:count]),
        ("erratic not flagged", [r for r in answered if _missed_erratic(r)][:count]),
        ("steady called erratic", [r for r in rows if _false_erratic(r)][:count]),
    ]


def _missed_erratic(row: Row) -> bool:
    return bool(row.truth["erratic"] and row.truth["erratic_known"] and row.said.get("state") != "erratic")


def _false_erratic(row: Row) -> bool:
    truth = row.truth
    return bool(truth["erratic_known"] and truth["moves"] == "steady" and row.said.get("state") == "erratic")


# ------------------------------------------------------------------------------------------------------- printing


def print_table(rows: list[Row], count: int) -> None:
    for name, value in summary(rows):
        print(f"{name:42s} {value}")
    off = [r for r in rows if r.covered is False]
    by_note = Counter(n.split(": ")[-1] for r in off for n in r.disturbances)
    print(f"{'most often where an interval missed':42s} {', '.join(f'{n} {k}' for n, k in by_note.most_common(6))}")
    for title, picked in worst(rows, count):
        if picked:
            print(f"\n{title}")
            print("\n".join(f"  {r.line()}" for r in picked))
    for last_line, seeds in crashes_by_last_line(rows).items():
        print(f"\ncrash: {last_line}\n  seeds {' '.join(map(str, seeds[:20]))}")


def print_case(seed: int, keep: Path | None, by_command: bool) -> None:
    """All about one case."""
    case = draw_case(seed)
    folder = keep or Path(tempfile.mkdtemp(prefix="outside-"))
    folder.mkdir(parents=True, exist_ok=True)
    outcome = diagnose_case(case, folder, by_command=by_command)
    sensor = case.engine["crank_sensor"]
    print(
        f"files in {folder}; {case.kind}, {case.details['rate_hz'] or 'edge list'}, {case.details['duration_s']:.2f} s"
    )
    print(f"crank {sensor}\nchannels {case.channels or 'headed by their roles'}")
    print(f"disturbances: {'; '.join(case.truth['disturbances'])}")
    print(f"exit {outcome.exit} in {outcome.seconds:.2f} s {outcome.complaint}")
    for row in rows_of(case, outcome):
        print(row.line())
        print(f"  truth {json.dumps(row.truth)}")
        print(f"  said  {json.dumps({k: v for k, v in row.said.items() if not k.startswith('cycle_')})}")
    print(f"crank section {json.dumps(outcome.result.get('crank'))}")
    print(f"verdict {outcome.result.get('verdict')}")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--cases", type=int, default=200)
    options.add_argument("--seed", type=int, default=0, help="first seed")
    options.add_argument("--workers", type=int, default=2)
    options.add_argument("--worst", type=int, default=8, help="how many of each kind to list")
    options.add_argument("--only", type=int, help="one seed, with details")
    options.add_argument("--keep", type=Path, help="folder for the files of --only")
    options.add_argument("--by-command", action="store_true", help="through a fresh process each (slow)")
    given = options.parse_args()
    if given.only is not None:
        print_case(given.only, given.keep, given.by_command)
        return
    print_table(run_all(range(given.seed, given.seed + given.cases), given.workers, given.by_command), given.worst)


if __name__ == "__main__":
    main()

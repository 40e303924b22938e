"""``tightside demo``: the main job on the shipped V6, from a recording to a report."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tightside.cli.console import Progress, first_run_told, note, progress_shown, say, write_result

if TYPE_CHECKING:
    from tightside.diagnosis import Examination

ENGINE = "demo-v6"
CODES = ("P0016",)
SLIP = "slip:1A=+1"
SECONDS = 8.0
RATE_HZ = 20e3
SEED = 17
STORY = (
    "Towed in: rough idle after a rattle at cold start, code P0016 stored. "
    "8 s at idle were recorded from the crank and the four cam sensors (simulated, one fault hidden)."
)


def run(
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder to write into.")] = Path("tightside-demo"),
) -> None:
    """Show the main job: a recording of an invented V6 goes in, a verdict and a report come out."""
    recording, engine = out / "recording.csv", out / "engine.yaml"
    with first_run_told(), progress_shown() as progress:
        make_inputs(recording, engine, progress)
        examination = examine(recording, engine, progress)
    from tightside.report.html import render_html
    from tightside.report.text import diagnosis_text

    report = out / "report.html"
    write_result(str(out / "diagnosis.json"), examination.diagnosis.to_json())
    write_result(str(report), render_html(examination))
    say(
        f"{STORY}\n\n$ tightside diagnose {recording} --engine {engine} --codes {','.join(CODES)} --report {report}\n\n"
    )
    say(diagnosis_text(examination.diagnosis) + "\n")
    say(f"Report: {report.resolve()}")
    note(f"Open it in a browser. Beside it in {out}: recording.csv, engine.yaml, diagnosis.json.")


def make_inputs(recording: Path, engine: Path, progress: Progress) -> None:
    """Write the demo's recording and engine file, as a technician would have them."""
    from importlib import resources

    import numpy as np

    from tightside.cli.simulate import _write, scenario_from, subject_of
    from tightside.engine.load import read_engine
    from tightside.twin.simulate import simulate

    text = (resources.files("tightside.engine") / "shipped" / f"{ENGINE}.yaml").read_text(encoding="utf-8")
    write_result(str(engine), text)
    progress("turning the engine", 0.1)
    subject = subject_of(read_engine(engine))
    scenario = scenario_from(subject, [SLIP], ("idle", SECONDS, None), (False, RATE_HZ, 0.02))
    simulated, _truth = simulate(subject, scenario, np.random.default_rng(SEED))
    progress("writing the recording", 0.4)
    _write(simulated, str(recording))


def examine(recording: Path, engine: Path, progress: Progress) -> Examination:
    """What ``tightside diagnose`` does with them."""
    from tightside import pipeline
    from tightside.engine.load import read_engine

    return pipeline.diagnose([recording], engine=read_engine(engine), codes=CODES, progress=progress)

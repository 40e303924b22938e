"""The command line: what goes where, exit codes, one line for every failure."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from examinations import examination
from tightside.cli import console, main
from tightside.cli.inputs import codes_from, pairs
from tightside.errors import DataError, InternalError, OutsideError, UsageError
from tightside.report.text import with_words

HEAVY = ("numpy", "numba", "scipy", "polars", "pydantic", "matplotlib", "jinja2", "pyarrow")


class FakePipeline:
    """Stands in for the pipeline: keeps what it was called with, gives a hand-made result."""

    def __init__(self) -> None:
        self.given: dict[str, Any] = {}

    def diagnose(self, paths: list[Path], **options: Any) -> Any:
        self.given = {"paths": paths, **options}
        options["progress"]("reading", 0.5)
        return examination()

    def describe(self, paths: list[Path], **options: Any) -> Any:
        self.given = {"paths": paths, **options}
        return examination().diagnosis


@pytest.fixture
def pipeline(monkeypatch: pytest.MonkeyPatch) -> FakePipeline:
    import tightside.pipeline

    fake = FakePipeline()
    monkeypatch.setattr(tightside.pipeline, "diagnose", fake.diagnose)
    monkeypatch.setattr(tightside.pipeline, "describe", fake.describe)
    return fake


def test_diagnose_prints_the_verdict_and_nothing_on_stderr(pipeline: FakePipeline, capsys: Any) -> None:
    assert main.run(["diagnose", "a.csv"]) == 0
    out, err = capsys.readouterr()
    assert out.startswith("Bank 1 intake cam (1A): slipped, one tooth late.")
    assert err == ""


def test_diagnose_passes_every_option_on(pipeline: FakePipeline, capsys: Any) -> None:
    options = ["--engine", "demo-v6", "--reference", "good.csv", "--cam-teeth", "38", "--codes", "p0016, P0340"]
    more = ["--channel", "crank=Channel 0", "--channel", "cam:1A=B = 2", "--unit", "crank=mV"]
    assert main.run(["diagnose", "a.csv", "b.csv", *options, *more]) == 0
    given = pipeline.given
    assert given["paths"] == [Path("a.csv"), Path("b.csv")]
    assert given["engine"].cylinders == 6
    assert given["reference"] == Path("good.csv")
    assert given["cam_teeth"] == 38
    assert given["codes"] == ("P0016", "P0340")
    assert given["channels"] == {"crank": "Channel 0", "cam:1A": "B = 2"}
    assert given["units"] == {"crank": "mV"}


def test_diagnose_json_on_stdout_is_json_alone(pipeline: FakePipeline, capsys: Any) -> None:
    assert main.run(["diagnose", "a.csv", "--json", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["schema"] == "tightside/diagnosis/1"


def test_diagnose_report_on_stdout_is_html_alone(pipeline: FakePipeline, capsys: Any) -> None:
    assert main.run(["diagnose", "a.csv", "--report", "-"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("<!DOCTYPE html>") and out.rstrip().endswith("</html>")


def test_diagnose_writes_json_and_report_and_still_prints(pipeline: FakePipeline, tmp_path: Path, capsys: Any) -> None:
    wanted = ["--json", str(tmp_path / "new" / "d.json"), "--report", str(tmp_path / "r.html")]
    assert main.run(["diagnose", "a.csv", *wanted]) == 0
    assert "slipped" in capsys.readouterr().out
    assert json.loads((tmp_path / "new" / "d.json").read_text("utf-8"))["cams"]
    assert (tmp_path / "r.html").read_text("utf-8").startswith("<!DOCTYPE html>")
    assert sorted(p.name for p in tmp_path.rglob("*")) == ["d.json", "new", "r.html"]  # no leftovers


def test_describe_prints_what_is_in_it_and_its_json(pipeline: FakePipeline, tmp_path: Path, capsys: Any) -> None:
    assert main.run(["describe", "a.csv", "--rate-hz", "1000", "--json", str(tmp_path / "d.json")]) == 0
    assert "wheel 60-2" in capsys.readouterr().out
    assert pipeline.given["rate_hz"] == 1000.0
    assert json.loads((tmp_path / "d.json").read_text("utf-8"))["crank"]["wheel"] == "60-2"


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["diagnose"], "RECORDING"),
        (["diagnoze"], "No such command"),
        (["diagnose", "a.csv", "--tooth", "1"], "--tooth"),
        (["diagnose", "a.csv", "--cam-teeth", "two"], "Try 'tightside diagnose --help'"),
        (["diagnose", "a.csv", "--report", "r.pdf"], "ends in .html"),
        (["diagnose", "a.csv", "--report", "-", "--json", "-"], "file name"),
        (["diagnose", "a.csv", "--codes", "P00"], "P0016"),
        (["diagnose", "a.csv", "--channel", "crank"], "ROLE=COLUMN"),
        (["diagnose", "a.csv", "--unit", "crank=V", "--unit", "crank=mV"], "twice"),
        (["diagnose", "a.csv", "--engine", "no/such.yaml"], "no engine file"),
        (["diagnose", "no/such.csv"], "no/such.csv"),
        (["describe", "no/such.csv"], "no/such.csv"),
    ],
)
def test_unusable_input_gives_one_line_and_exit_2(arguments: list[str], part: str, capsys: Any) -> None:
    assert main.run(arguments) == 2
    out, err = capsys.readouterr()
    line = err.splitlines()[-1]
    assert out == "" and part in line and line.startswith("tightside: ")
    assert len([text for text in err.splitlines() if not text.startswith("First run")]) == 1


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (DataError(code="x", what="no tooth gap", hint="Try it again"), 2),
        (UsageError(code="x", what="no such role"), 2),
        (OutsideError(code="x", what="disk full"), 4),
        (InternalError(code="x", what="records disagree"), 70),
        (ZeroDivisionError("division\nby zero"), 70),
        (MemoryError(), 2),
        (FileNotFoundError(2, "No such file", "x.csv"), 2),
        (KeyboardInterrupt(), 130),
    ],
)
def test_every_error_has_its_exit_code_and_at_most_one_line(
    error: BaseException, code: int, pipeline: FakePipeline, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    def fails(*_: Any, **__: Any) -> Any:
        raise error

    monkeypatch.setattr("tightside.pipeline.diagnose", fails)
    assert main.run(["diagnose", "a.csv"]) == code
    err = capsys.readouterr().err
    assert len(err.splitlines()) == (0 if code == 130 else 1)
    assert "Traceback" not in err


def test_debug_anywhere_lets_the_traceback_through(pipeline: FakePipeline, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError

    monkeypatch.setattr("tightside.pipeline.diagnose", fails)
    for arguments in (["--debug", "diagnose", "a.csv"], ["diagnose", "a.csv", "--debug"]):
        with pytest.raises(ZeroDivisionError):
            main.run(arguments)


def test_unwritable_report_is_said_in_one_line_and_exit_4(pipeline: FakePipeline, tmp_path: Path, capsys: Any) -> None:
    (tmp_path / "file").write_text("x")
    assert main.run(["diagnose", "a.csv", "--report", str(tmp_path / "file" / "r.html")]) == 4
    assert "cannot write" in capsys.readouterr().err


def test_failed_write_leaves_the_old_result_alone(tmp_path: Path) -> None:
    target = tmp_path / "d.json"
    console.write_result(str(target), "old")
    with pytest.raises(UnicodeEncodeError):
        console.write_result(str(target), "new \ud800")
    assert target.read_text() == "old\n" or target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_first_run_says_so_once_and_only_when_something_is_compiled(capsys: Any) -> None:
    from numba import njit

    @njit
    def twice(x):  # type: ignore[no-untyped-def]
        return 2 * x

    with console.first_run_told():
        assert twice(2) == 4 and twice(2.0) == 4.0  # two compilations
    assert capsys.readouterr().err == console.FIRST_RUN + "\n"
    with console.first_run_told():
        assert twice(3) == 6
    assert capsys.readouterr().err == ""


def test_codes_are_upper_case_once_and_in_order() -> None:
    assert codes_from("p0016,P0340 p0016,U3fff") == ("P0016", "P0340", "U3FFF")
    for wrong in ("P4016", "X0016", "P001G", "P00160"):
        with pytest.raises(UsageError):
            codes_from(wrong)


def test_pairs_keep_equals_signs_of_a_column() -> None:
    assert pairs(["cam:1A=A=B"], "--channel", "ROLE=COLUMN") == {"cam:1A": "A=B"}


def test_help_lists_every_verb_and_loads_nothing_heavy() -> None:
    script = (
        "import sys\nfrom tightside.cli.main import run\nrun(['--help'])\n"
        f"sys.stderr.write(' '.join(m for m in {HEAVY!r} if m in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert all(verb in done.stdout for verb in main.VERBS)


def test_help_takes_less_than_four_tenths_of_a_second() -> None:
    import resource

    def used_s() -> float:
        children = resource.getrusage(resource.RUSAGE_CHILDREN)
        return children.ru_utime + children.ru_stime

    command = [sys.executable, "-c", "from tightside.cli.main import main; main()", "--help"]
    took = []
    for _ in range(5):
        before_s = used_s()  # of the processor: a busy machine does not count
        subprocess.run(command, capture_output=True, check=True)
        took.append(used_s() - before_s)
    assert min(took) < 0.4


def test_version_is_the_packages_own(capsys: Any) -> None:
    import tightside

    assert main.run(["--version"]) == 0
    assert capsys.readouterr().out == f"tightside {tightside.__version__}\n"


def test_every_verb_answers_help(capsys: Any) -> None:
    for verb in main.VERBS:
        assert main.run([verb, "--help"]) == 0
        assert "Usage" in capsys.readouterr().out


def test_verdict_in_json_is_the_one_that_is_printed(pipeline: FakePipeline) -> None:
    told = with_words(examination().diagnosis)
    assert told.verdict and told.verdict.startswith("Bank 1 intake cam (1A): slipped, one tooth late.")


def test_demo_from_recording_to_report_finds_the_hidden_fault(tmp_path: Path, capsys: Any) -> None:
    out = tmp_path / "demo"
    assert main.run(["demo", "--out", str(out)]) == 0
    printed = capsys.readouterr().out
    assert "Bank 1 intake cam (1A): slipped, one tooth late." in printed
    assert printed.rstrip().endswith(str(out / "report.html"))
    result = json.loads((out / "diagnosis.json").read_text("utf-8"))
    calls = {cam["cam"]: cam["teeth_call"] for cam in result["cams"]}
    assert calls == {"1A": 1, "1B": 0, "2A": 0, "2B": 0}
    assert result["cams"][0]["offset_deg"] == pytest.approx(720 / 42, abs=0.5)  # one tooth of 42 in a 2:1 drive
    assert "slipped, one tooth late" in (out / "report.html").read_text("utf-8")
    assert {p.name for p in out.iterdir()} == {"recording.csv", "engine.yaml", "diagnosis.json", "report.html"}


def test_readme_session_is_what_the_demo_prints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any) -> None:
    monkeypatch.chdir(tmp_path)
    assert main.run(["demo", "--out", "demo-out"]) == 0
    printed = capsys.readouterr().out
    session = printed[printed.index("$ tightside diagnose") : printed.index("Report:")]
    readme = (Path(__file__).parent.parent / "README.md").read_text("utf-8")
    assert without_digits(session.strip()) in without_digits(readme)


def without_digits(text: str) -> str:
    return re.sub(r"\d", "#", text)

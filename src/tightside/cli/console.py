"""What every verb does the same way: where text goes, how long work is shown, what an error looks like."""

from __future__ import annotations

import errno
import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from tightside.errors import OutsideError

Progress = Callable[[str, float], None]
STDOUT = "-"
FIRST_RUN = "First run: preparing fast code, about 10 s, once."


def say(text: str) -> None:
    """A result, on standard output."""
    with reader_may_leave():
        sys.stdout.write(text if text.endswith("\n") else text + "\n")
        sys.stdout.flush()


@contextmanager
def reader_may_leave() -> Iterator[None]:
    """Go on quietly where whoever reads our standard output has seen enough: ``tightside ... | head``."""
    try:
        yield
    except OSError as error:
        if error.errno != errno.EPIPE and "os error 32" not in str(error):  # Rust puts the number in the text only
            raise
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def note(text: str) -> None:
    """A remark beside the result, on standard error."""
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


def write_result(target: str, text: str) -> None:
    """Write a result to a file, whole or not at all; "-" is standard output.

    Raises
    ------
    OutsideError
        If the place cannot be written to.
    """
    if target == STDOUT:
        say(text)
        return
    path = Path(target)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    except OSError as error:
        raise _cannot_write(path, error) from error
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="\n") as file:
            file.write(text)
        Path(name).chmod(0o666 & ~_umask())
        Path(name).replace(path)
    except OSError as error:
        raise _cannot_write(path, error) from error
    finally:
        Path(name).unlink(missing_ok=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _cannot_write(path: Path, error: OSError) -> OutsideError:
    return OutsideError(
        code="cannot-write",
        what=f"cannot write {path}",
        got=error.strerror or type(error).__name__,
        hint="Name a file in a folder that you may write to",
    )


@contextmanager
def progress_shown() -> Iterator[Progress]:
    """A callback that shows a bar on standard error after one second of work; silent when nobody watches a terminal."""
    if not sys.stderr.isatty():
        yield lambda _step, _share: None
        return
    with _Bar() as bar:
        yield bar.update


class _Bar:
    """A progress bar that only appears when the work takes longer than a second."""

    def __init__(self) -> None:
        import time

        self._clock = time.monotonic
        self._started_s = self._clock()
        self._shown: tuple[object, object] | None = None

    def __enter__(self) -> _Bar:
        return self

    def update(self, step: str, share: float) -> None:
        if self._shown is None and self._clock() - self._started_s > 1.0:
            self._show()
        if self._shown is not None:
            bar, task = self._shown
            bar.update(task, description=step, completed=share)  # type: ignore[attr-defined]

    def _show(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

        columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
        bar = Progress(*columns, console=Console(stderr=True), transient=True)
        bar.start()
        self._shown = bar, bar.add_task("", total=1.0)

    def __exit__(self, *_: object) -> None:
        if self._shown is not None:
            self._shown[0].stop()  # type: ignore[attr-defined]


@contextmanager
def first_run_told() -> Iterator[None]:
    """Say in one line that fast code is being prepared, once, when numba really has to compile something."""
    from numba.core import event

    class Teller(event.Listener):
        told = False

        def on_start(self, _event: object) -> None:
            if not self.told:
                note(FIRST_RUN)
            self.told = True

        def on_end(self, _event: object) -> None:
            pass

    with event.install_listener("numba:compile", Teller()):
        yield

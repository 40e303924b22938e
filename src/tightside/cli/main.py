"""The entry: finds the verb, loads only that verb's module, turns every error into one line and an exit code."""

from __future__ import annotations

import importlib
import sys
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

import tightside
from tightside.cli.memory import settle_in_little_room
from tightside.errors import TightsideError

# verb: (module, what it is for). A module offers ``run``, a function with typer options, or ``app``, a sub-app.
VERBS = {
    "demo": ("tightside.cli.demo", "The main job on the shipped V6, from recording to report."),
    "describe": ("tightside.cli.describe", "What is in a recording: channels, wheels, speed, trouble."),
    "learn": ("tightside.cli.learn", "Crank wheel and cam edges from a recording of an engine in good order."),
    "diagnose": ("tightside.cli.diagnose", "Has the valve timing slipped: which cam, how many teeth, how sure."),
    "engine": ("tightside.cli.engine", "Check an engine file, or print its schema."),
    "clearance": ("tightside.cli.clearance", "Gap between valves and pistons, tooth by tooth."),
    "predict": ("tightside.cli.predict", "What a fault would show: compression and vacuum, cylinder by cylinder."),
    "fit": ("tightside.cli.fit", "Offsets and leaks of a cranking engine, by matching the twin to a recording."),
    "simulate": ("tightside.cli.simulate", "Make a recording of an engine with a chosen fault."),
}

INTERNAL = 70
INTERRUPTED = 130


class Verbs(TyperGroup):
    """The verbs by name, each imported when it is called for, so that ``--help`` is quick."""

    listing = False

    def list_commands(self, ctx: Any) -> list[str]:
        """Names, in the order in which they are met."""
        return list(VERBS)

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """The verb itself; while help is listed, only its name and line."""
        if cmd_name not in VERBS:
            return None
        module, line = VERBS[cmd_name]
        if self.listing:
            return TyperCommand(name=cmd_name, help=line)
        return command_of(importlib.import_module(module), cmd_name)

    def format_help(self, ctx: Any, formatter: Any) -> None:
        """List the verbs without loading them."""
        self.listing = True
        try:
            super().format_help(ctx, formatter)
        finally:
            self.listing = False


def command_of(module: Any, name: str) -> Any:
    """The command that a verb's module offers."""
    app = getattr(module, "app", None)
    if app is None:
        app = typer.Typer(add_completion=False)
        app.command(name)(module.run)
    command = typer.main.get_command(app)
    command.params = [p for p in command.params if p.name not in ("install_completion", "show_completion")]
    return command


def version_wanted(value: bool) -> None:
    """Print the version and stop."""
    if value:
        typer.echo(f"tightside {tightside.__version__}")
        raise typer.Exit


app = typer.Typer(cls=Verbs, add_completion=False, no_args_is_help=True, rich_markup_mode="rich")


@app.callback()
def options(
    version: bool = typer.Option(False, "--version", callback=version_wanted, is_eager=True, help="Print the version."),
    debug: bool = typer.Option(False, "--debug", help="Show the traceback of an error. Works after any verb too."),
) -> None:
    """Valve timing verdicts from crank and cam recordings: slipped or not, which bank, how many teeth, how sure."""


def run(arguments: list[str]) -> int:
    """Run one command line. Exit code: 0 a result, 2 unusable input, 4 disk or link, 70 our own mistake."""
    arguments, debug = without_debug(arguments)
    try:
        return int(typer.main.get_command(app).main(arguments, prog_name="tightside", standalone_mode=False) or 0)
    except (KeyboardInterrupt, typer.Abort):
        return INTERRUPTED
    except Exception as error:
        if debug:
            raise
        line, code = line_and_code(error, arguments)
        sys.stderr.write(f"tightside: {line}\n")
        return code


def without_debug(arguments: list[str]) -> tuple[list[str], bool]:
    """Take ``--debug`` out, wherever it stands before a bare ``--``."""
    end = arguments.index("--") if "--" in arguments else len(arguments)
    options_, rest = arguments[:end], arguments[end:]
    return [a for a in options_ if a != "--debug"] + rest, "--debug" in options_


def line_and_code(error: Exception, arguments: list[str]) -> tuple[str, int]:
    """One line for the person at the keyboard, and the exit code for the program that called us."""
    verb = next((f" {a}" for a in arguments[:1] if a in VERBS), "")
    if isinstance(error, TightsideError):
        return error.sentence(), error.exit_code
    if isinstance(error, typer.TyperException):
        text = " ".join(error.format_message().split())
        return f"{text.rstrip('.')}. Try 'tightside{verb} --help'.", 2
    if isinstance(error, MemoryError) or str(error) == "can't start new thread":
        return (
            "not enough memory for this recording. Record fewer channels or a shorter time, or close other programs.",
            2,
        )
    if isinstance(error, OSError) and error.filename:
        return f"cannot use {error.filename}: {error.strerror}. Check the name and who may read it.", 2
    text = " ".join(f"{type(error).__name__}: {error}".split())
    return (
        f"a mistake in tightside, not in your recording ({text}). Run again with --debug and keep what it prints.",
        INTERNAL,
    )


def main() -> None:
    """The ``tightside`` command."""
    settle_in_little_room()
    sys.exit(run(sys.argv[1:]))

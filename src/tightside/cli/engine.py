"""``tightside engine``: check an engine file, print its schema, list the shipped ones."""

from __future__ import annotations

from typing import Annotated

import typer

from tightside.cli.console import say
from tightside.cli.inputs import engine_named

app = typer.Typer(help="Check an engine file, print its schema, list the shipped ones.", no_args_is_help=True)


@app.command()
def schema() -> None:
    """Print the JSON Schema of the engine file."""
    import json

    from tightside.engine.model import Engine

    say(json.dumps(Engine.model_json_schema(by_alias=True), indent=2))


@app.command(name="list")
def list_shipped() -> None:
    """List the engines that come with tightside and the learned ones, by the name to give for --engine."""
    from tightside.engine.load import read_engine, shipped_names
    from tightside.store.library import library_names

    for name in shipped_names():
        say(f"{name}  {read_engine(name).name}")
    for name in library_names():
        learned = engine_named(name)
        vehicles = learned.learned.vehicles if learned.learned else 0
        say(f"{name}  {learned.name}, learned from {vehicles} vehicle{'' if vehicles == 1 else 's'}")


@app.command()
def check(
    engine: Annotated[str, typer.Argument(metavar="ENGINE", help="An engine file, or a shipped engine's name.")],
    json_file: Annotated[
        str | None, typer.Option("--json", help="Write what follows as JSON; - is standard output.")
    ] = None,
) -> None:
    """Check an engine file and show what follows from it: tooth pitch, volumes, firing intervals."""
    from tightside.cli.console import write_result
    from tightside.engine.facts import facts_of, oddities_of

    known = engine_named(engine)
    facts, odd = facts_of(known), oddities_of(known)
    if json_file is not None:
        write_result(json_file, _as_json(known.name, facts, odd))
    if json_file != "-":
        say(known.name)
        for fact in facts:
            why = f"  ({fact.why})" if fact.why else ""
            say(f"  {fact.name + ' ':.<46} {fact.value} {fact.unit}".rstrip() + why)
        for line in odd:
            say(f"  Look again: {line}")


def _as_json(name: str, facts: tuple[object, ...], odd: tuple[str, ...]) -> str:
    import json
    from dataclasses import asdict

    entries = [asdict(fact) for fact in facts]  # type: ignore[call-overload]
    return json.dumps(
        {"schema": "tightside/engine-check/1", "name": name, "facts": entries, "warnings": list(odd)}, indent=2
    )

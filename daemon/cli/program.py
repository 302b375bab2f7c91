"""The program itself: its name, its panels of help, and how every command ends."""

from __future__ import annotations

import inspect
import json
import os
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

#: The panels of the help, and the order of the commands in them.
EVERY_DAY, PLANNING, RUNNING = "Every day", "Planning and looking up", "Running it"
_ORDER = (
    "status", "sow", "stage", "move", "log", "keep", "alarms", "why", "report",
    "plan", "mix", "light", "crops",
    "run", "rehearse", "replay", "backup", "check", "watch", "off",
)  # fmt: skip
#: Exit statuses.
DONE, FAILED, USAGE, UNANSWERED = 0, 1, 2, 3


class Failed(Exception):  # noqa: N818
    """What ends a command: a sentence with its mend, the exit status, and what was known anyway."""

    def __init__(self, message: str, status: int = FAILED, result: object = None) -> None:
        super().__init__(message)
        self.status = status
        self.result = result


def wrong(message: str) -> Failed:
    """A wrong usage that Typer could not see."""
    return Failed(message, USAGE)


#: What Typer raises for a wrong usage, whether it brings a Click of its own or uses the other's.
_UsageError: type[BaseException] = typer.BadParameter.__mro__[1]


class _Commands(TyperGroup):
    """The commands, in order, with every end told the same way."""

    def list_commands(self, ctx: Any) -> list[str]:
        return sorted(super().list_commands(ctx), key=_ORDER.index)

    def main(self, *given: Any, **options: Any) -> Any:
        words = given[0] if given else options.pop("args", None)
        words = list(sys.argv[1:] if words is None else words)
        as_json = "--json" in words[: words.index("--") if "--" in words else None]
        options["standalone_mode"] = False
        try:
            status = super().main(words, *given[1:], **options)
        except Failed as problem:
            sys.exit(_tell(str(problem), problem.status, as_json, problem.result))
        except _UsageError as problem:
            sys.exit(_tell(_usage(problem), USAGE, as_json))
        except typer.Abort:
            sys.exit(130)
        sys.exit(status or DONE)


def _usage(problem: Any) -> str:
    """A wrong usage in a sentence, with the nearest right one and where to read more."""
    near = getattr(problem, "possibilities", None)
    said = problem.message if near else problem.format_message()
    said = said.rstrip(".") + (f". Did you mean {near[0]!r}?" if near else ".")
    where = problem.ctx.command_path if problem.ctx else "hotbed"
    return f"{said.replace('?.', '?')} Try: {where} --help"


def _tell(message: str, status: int, as_json: bool, result: object = None) -> int:
    if as_json:
        found = {} if result is None else {"result": result}
        document({"ok": False, "error": message, **found})
    else:
        for line in message.splitlines():
            typer.echo(f"hotbed: {line}", err=True)
    return status


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that nobody ever reads half of it, or the command ends."""
    new = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        new.write_bytes(content)
        new.replace(path)
    except OSError as error:
        new.unlink(missing_ok=True)
        raise Failed(f"{path} cannot be written: {error.strerror}") from None


def document(content: Mapping[str, Any]) -> None:
    """The one JSON document of an answer to a program."""
    typer.echo(json.dumps(content, indent=2, default=str))


app = typer.Typer(
    cls=_Commands,
    invoke_without_command=True,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["--help", "-h"]},
)


def _paragraphs(text: str) -> str:
    """A docstring as help: each paragraph one line, for the terminal to wrap, examples as they are."""
    blocks = inspect.cleandoc(text).split("\n\n")
    return "\n\n".join(
        block if block.startswith("$") else block.replace("\n", " ") for block in blocks
    )


Decorator = Callable[[Callable[..., None]], Callable[..., None]]


def command(panel: str) -> Decorator:
    """A command of the program, its help from its docstring."""

    def added(command: Callable[..., None]) -> Callable[..., None]:
        app.command(rich_help_panel=panel, help=_paragraphs(command.__doc__ or ""))(command)
        return command

    return added


def group(panel: str, name: str, help_: str) -> Callable[[str], Decorator]:
    """A command that has commands of its own; returns what makes one of a function, by a name."""
    inner = typer.Typer(rich_markup_mode="rich", invoke_without_command=True)
    app.add_typer(inner, name=name, rich_help_panel=panel)

    @inner.callback(help=_paragraphs(help_))
    def alone(ctx: typer.Context) -> None:
        if ctx.invoked_subcommand is None:
            typer.echo(ctx.get_help())

    def named(word: str) -> Decorator:
        def added(command: Callable[..., None]) -> Callable[..., None]:
            inner.command(word, help=_paragraphs(command.__doc__ or ""))(command)
            return command

        return added

    return named


@app.callback()
def hotbed(
    ctx: typer.Context,
    version: Annotated[bool, typer.Option("--version", help="Tell the version.")] = False,
) -> None:
    """Runs lit, heated benches of seedlings, from sowing to planting out.

    Begin with a bench that isn't there:

    $ hotbed run --simulate --state sim-state

    and from a second terminal:

    $ hotbed sow lettuce --bench lower --cells 72
    $ hotbed status --watch

    Not a safety device: see the cautions in the README before you wire mains, heat or water.
    """
    if version:
        from importlib.metadata import PackageNotFoundError
        from importlib.metadata import version as installed

        try:
            typer.echo(f"hotbed {installed('hotbed')}")
        except PackageNotFoundError:
            typer.echo("hotbed, not installed")
        raise typer.Exit
    if ctx.invoked_subcommand is None:
        typer.echo(ctx.get_help())


def main() -> None:
    """The console entry point."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that lacks a sign shows another, and is no reason to fail.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    app(prog_name="hotbed")

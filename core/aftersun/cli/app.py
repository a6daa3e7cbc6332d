"""The commands. Heavy modules are imported inside them, so that help appears at once."""

from __future__ import annotations

import os
import sys
from io import TextIOWrapper
from typing import NoReturn

import typer

from aftersun.cli import (
    call_log,
    company,
    customer,
    delivered,
    inventory,
    job,
    lessons,
    letter,
    office_page,
    outputs,
    plugin,
    ranking,
    weather,
)
from aftersun.cli.declaring import group
from aftersun.cli.old_names import with_new_names
from aftersun.cli.terminal import terminal
from aftersun.model.errors import EXIT_BAD_INPUT, AftersunError

app = group(
    name="aftersun",
    help="Which retrofit pays on which roof, what it costs, and what can hurt someone.\n\n"
    "Example: aftersun demo aftersun-demo",
    pretty_exceptions_enable=False,
    add_completion=False,
)
for command in (*ranking.COMMANDS, *outputs.COMMANDS):
    app.command(command.__name__.replace("_", "-"))(command)
app.command("open")(office_page.open_page)
for name, commands in {
    "inventory": inventory.app,
    "customer": customer.app,
    "weather": weather.app,
    "company": company.app,
    "log": call_log.app,
    "job": job.app,
    "delivered": delivered.app,
    "lessons": lessons.app,
    "plugin": plugin.app,
    "letter": letter.app,
}.items():
    app.add_typer(commands, name=name)


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        terminal.result(f"aftersun {version('aftersun')}")
        raise typer.Exit


@app.callback()
def _program(
    _version: bool = typer.Option(
        False, "--version", help="Print the version and stop.", is_eager=True, callback=_print_version
    ),
) -> None:
    pass


def run() -> None:
    """Run the command line and turn expected errors into a sentence, a hint and an exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")  # a terminal that lacks a letter gets its number
    words, hints = with_new_names(sys.argv[1:])
    terminal.message(*hints)
    try:
        app(words)
    except BrokenPipeError:
        # The reader has what it wanted (head, a pager that was left); Python would complain again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except AftersunError as error:
        _end(str(error), error.hint, error.exit_code)
    except OSError as error:
        _end(f"{error.filename or 'A file'}: {error.strerror or error}.")
    except Exception as error:
        if type(error).__module__ in ("duckdb", "_duckdb") and type(error).__name__ in _FILE_TROUBLE:
            _end("The inventory file cannot be read or written: it is damaged, or the disk is full.")
        raise


_FILE_TROUBLE = ("IOException", "FatalException", "SerializationException", "InvalidInputException")
_CHECK_PATH = "Check the path, your rights there and the space left; then try again."


def _end(text: str, hint: str = _CHECK_PATH, exit_code: int = EXIT_BAD_INPUT) -> NoReturn:
    terminal.message(f"aftersun: {text}", *(f"  {line}" for line in hint.splitlines()))
    sys.exit(exit_code)

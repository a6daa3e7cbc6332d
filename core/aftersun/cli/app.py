"""The commands. Heavy modules are imported inside them, so that help appears at once."""

from __future__ import annotations

import os
import sys
from io import TextIOWrapper
from typing import NoReturn

import typer

from aftersun.cli import company, inventory, keep, log, office, plugin, results, weather
from aftersun.cli.terminal import terminal
from aftersun.model.errors import EXIT_BAD_INPUT, AftersunError

app = typer.Typer(
    name="aftersun",
    help="Which retrofit is worth it on which roof, what it costs, and what can hurt someone.\n\n"
    "Example: aftersun demo aftersun-demo",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    add_completion=False,
)
app.add_typer(inventory.app, name="inventory")
app.add_typer(keep.customer, name="customer")
app.add_typer(weather.app, name="weather")
app.add_typer(company.app, name="company")
app.add_typer(log.app, name="log")
app.add_typer(plugin.app, name="plugin")
results.add_to(app)
office.add_to(app)


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
    try:
        app()
    except BrokenPipeError:
        # The reader has what it wanted (head, a pager that was left); Python would complain again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except AftersunError as error:
        terminal.message(f"aftersun: {error}")
        if error.hint:
            terminal.message(f"  {error.hint}")
        sys.exit(error.exit_code)
    except OSError as error:
        _refuse(f"{error.filename or 'A file'}: {error.strerror or error}")
    except Exception as error:
        if type(error).__module__ in ("duckdb", "_duckdb") and type(error).__name__ in _FILE_TROUBLE:
            _refuse("The inventory file cannot be read or written: it is damaged, or the disk is full")
        raise


_FILE_TROUBLE = ("IOException", "FatalException", "SerializationException", "InvalidInputException")


def _refuse(what: str) -> NoReturn:
    terminal.message(f"aftersun: {what}.")
    terminal.message("  Check the path, your rights there and the space left; then try again.")
    sys.exit(EXIT_BAD_INPUT)

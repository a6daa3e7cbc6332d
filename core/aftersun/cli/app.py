"""The commands. Heavy modules are imported inside them, so that help appears at once."""

from __future__ import annotations

import sys

import typer

from aftersun.cli import company, inventory, results, weather
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError

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
app.add_typer(weather.app, name="weather")
app.add_typer(company.app, name="company")
results.add_to(app)


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
    try:
        app()
    except AftersunError as error:
        terminal.message(f"aftersun: {error}")
        if error.hint:
            terminal.message(f"  {error.hint}")
        sys.exit(error.exit_code)

"""Commands for authors of plugins."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aftersun.cli.declaring import argument, group, option
from aftersun.cli.terminal import terminal
from aftersun.model.errors import EXIT_LOSSES, AftersunError

if TYPE_CHECKING:
    from aftersun.host.registry import Registry

app = group(help="Write and check plugins of your own.")


@app.command()
def new(
    name: Annotated[str, argument("plugin.name")],
    to: Annotated[Path | None, option("plugin.to", "--to")] = None,
) -> None:
    """Write a project with a working retrofit and its tests, ready to install and to change.

    Example: aftersun plugin new gutter_guard --to gutter-guard
    """
    from aftersun.host.scaffold import new_project

    folder = Path(f"aftersun-{name.replace('_', '-')}") if to is None else to
    terminal.result(*map(str, new_project(name, folder)))
    terminal.paragraph(f"Next: read {folder / 'README.md'}.")


@app.command()
def check(what: Annotated[str, argument("plugin.what")]) -> None:
    """Try the rules that every retrofit keeps, one line a rule, and say what to do where one is broken.

    Example: aftersun plugin check my-folder/roof_wash.py
    """
    from aftersun.host.registry import load_plugins
    from aftersun.host.sources import read_sources
    from aftersun.testing.conformance import examine

    path = Path(what)
    plugins = read_sources(path if path.exists() else None)
    registry = load_plugins((), plugins)
    broken = _failures(registry, path)
    asked = [loaded for loaded in registry.retrofits if loaded.origin == "file" or loaded.id == what]
    if not asked and not broken:
        raise AftersunError(
            f"There is no file, folder or retrofit '{what}' to check.", "'aftersun retrofits' lists the retrofits."
        )
    for loaded in asked:
        terminal.result(f"{loaded.id} {loaded.retrofit.about.version}")
        for verdict in examine(loaded, plugins, registry.unusable):
            broken += bool(verdict.problem)
            if verdict.only_told:
                took = f"{verdict.seconds_per_1000_sites:.2f} s per 1,000 sites on this machine"
                terminal.paragraph(verdict.problem or took, indent=2)
                continue
            terminal.result(f"  {'broken' if verdict.problem else 'kept  '}  {verdict.rule}")
            if verdict.problem:
                terminal.paragraph(verdict.problem, indent=10)
    if broken:
        raise typer.Exit(EXIT_LOSSES)


def _failures(registry: Registry, path: Path) -> int:
    """Say which of the files asked for could not be used; return how many."""
    files = {path.stem} if path.is_file() else {file.stem for file in path.glob("*.py")} if path.is_dir() else set()
    failed = [failure for failure in registry.failures if failure.plugin in files]
    terminal.name_failed(failed)
    return len(failed)

"""Writes the project of a new plugin: a package with one retrofit, its tables, its tests."""

from __future__ import annotations

import re
from importlib.metadata import version
from importlib.resources import as_file
from importlib.util import find_spec
from pathlib import Path
from string import Template

import aftersun_datasets
from aftersun.host.registry import find_plugins
from aftersun.model.errors import AftersunError

_NAME = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")


def new_project(name: str, folder: Path) -> tuple[Path, ...]:
    """Write a project that brings a retrofit ``name`` into the new folder ``folder``; return the files written.

    Raises
    ------
    AftersunError
        If the name cannot be one or is taken, or the folder exists or cannot be written.
    """
    _check_name(name)
    if folder.exists():
        raise AftersunError(f"{folder} exists already.", "Name a new folder; nothing was changed.")
    filling = _filling(name)
    written = []
    with as_file(aftersun_datasets.path("plugin_project")) as templates:
        for template in sorted(templates.rglob("*.template")):
            target = folder / _renamed(template.relative_to(templates).with_suffix(""), filling)
            try:
                target.parent.mkdir(parents=True, exist_ok=True)
                target.write_text(Template(template.read_text(encoding="utf-8")).substitute(filling), encoding="utf-8")
            except OSError as error:
                raise AftersunError(
                    f"{folder} cannot be written: {error.strerror}.", "Name a folder in which you may write."
                ) from error
            written.append(target)
    return tuple(written)


def _check_name(name: str) -> None:
    if not _NAME.fullmatch(name):
        raise AftersunError(
            f"'{name}' cannot be the name of a retrofit.",
            "Use lower-case letters, digits and single underscores, a letter first, for example gutter_guard.",
        )
    if name in find_plugins().versions() or find_spec(f"aftersun_{name}") is not None:
        raise AftersunError(f"'{name}' is taken already.", "Choose another name; 'aftersun retrofits' lists what is.")


def _filling(name: str) -> dict[str, str]:
    lowest, beyond = _bounds(version("aftersun"))
    return {
        "id": name,
        "package": f"aftersun_{name}",
        "project": f"aftersun-{name.replace('_', '-')}",
        "title": name.replace("_", " ").capitalize(),
        "class_name": "".join(part.capitalize() for part in name.split("_")),
        "lowest": lowest,
        "beyond": beyond,
    }


def _bounds(program: str) -> tuple[str, str]:
    """Return the versions from which and below which the program's interface stays: 0.x may change with each x."""
    major, minor = (int(part) for part in program.split(".")[:2])
    return f"{major}.{minor}", f"0.{minor + 1}" if major == 0 else f"{major + 1}"


def _renamed(template: Path, filling: dict[str, str]) -> Path:
    """Return where a template goes: ``package`` and ``test_retrofit`` are named after the retrofit."""
    folder = Path(filling["package"]) if template.parts[0] == "package" else template.parent
    return folder / template.name.replace("test_retrofit", f"test_{filling['id']}")

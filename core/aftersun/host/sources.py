"""Plugins as data: the text of one-file plugins, which travels to other machines, and hashes of what code is run."""

from __future__ import annotations

import hashlib
import platform
import sys
from dataclasses import dataclass
from functools import cache
from importlib.machinery import ModuleSpec
from importlib.metadata import version
from pathlib import Path
from types import ModuleType

import aftersun_datasets
from aftersun.model.errors import AftersunError

_LIBRARIES = ("numpy", "pandas", "pvlib", "scipy")
_NO_RESULTS = {"cli", "testing"}  # rooms of the program that no result depends on


@dataclass(frozen=True)
class Source:
    """A plugin that is one file: its name, where it lay, and its text; or why it could not be read."""

    name: str
    path: str
    text: bytes
    problem: str = ""


def read_sources(folder: Path | None) -> tuple[Source, ...]:
    """Read the .py files of a folder, or one such file.

    Raises
    ------
    AftersunError
        If it is neither.
    """
    if folder is None:
        return ()
    if folder.suffix == ".py" and folder.is_file():
        paths = [folder]
    elif folder.is_dir():
        paths = sorted(folder.glob("*.py"))
    else:
        raise AftersunError(
            f"There is no folder {folder} to load plugins from.", "Name an existing folder of .py files, or one file."
        )
    return tuple(_read(path) for path in paths)


def _read(path: Path) -> Source:
    try:
        return Source(path.stem, str(path), path.read_bytes())
    except OSError as error:
        return Source(path.stem, str(path), b"", f"{path.name} cannot be read ({error.strerror})")


def load(source: Source) -> ModuleType:
    """Run the text as a module. Raises what the text raises."""
    if source.problem:
        raise ImportError(source.problem)
    name = f"aftersun_file_plugin_{source.name}"
    module = ModuleType(name)
    module.__file__ = source.path
    module.__spec__ = ModuleSpec(name, None, origin=source.path)
    sys.modules[name] = module
    exec(compile(source.text, source.path, "exec"), module.__dict__)
    return module


def module_hash(module: ModuleType) -> str:
    """Return a hash of an installed plugin's code and data: its file, or all files of the package it is in."""
    top = sys.modules.get(module.__name__.partition(".")[0], module)
    folders = [Path(name) for name in getattr(top, "__path__", ())]
    file = getattr(module, "__file__", None)
    return _files_hash(tuple(folders) if folders else (Path(file),) if file else ())


def text_hash(source: Source) -> str:
    """Return a hash of a one-file plugin."""
    return hashlib.sha256(source.text).hexdigest()


def program_hash() -> str:
    """Return a hash of all code and data of the program that results depend on."""
    return _files_hash((Path(__file__).parents[1], Path(aftersun_datasets.__file__).parent))


def versions() -> dict[str, str]:
    """Return the versions of this program, of Python, and of the libraries that compute."""
    return {"python": platform.python_version()} | {name: version(name) for name in ("aftersun", *_LIBRARIES)}


@cache
def _files_hash(folders: tuple[Path, ...]) -> str:
    """Return a hash of the files in these folders that results may depend on; one may be a file itself."""
    digest = hashlib.sha256()
    for folder in folders:
        for path in [folder] if folder.is_file() else sorted(folder.rglob("*")):
            parts = path.relative_to(folder).parts
            if path.is_file() and "__pycache__" not in parts and not _NO_RESULTS.intersection(parts[:1]):
                digest.update(f"{path.relative_to(folder.parent).as_posix()}\n".encode())
                digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()

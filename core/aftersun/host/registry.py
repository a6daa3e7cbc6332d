"""Finds plugins, built-in and foreign by the same door, and keeps one that cannot be loaded from stopping the rest."""

from __future__ import annotations

import importlib.util
import re
import sys
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from types import ModuleType

import pluggy

from aftersun.host import specs
from aftersun.model.change import API_VERSION, About
from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Claim, Fact, Range
from aftersun.model.retrofit import Output, Retrofit

_ID = re.compile(r"[a-z][a-z0-9_]*")


@dataclass(frozen=True)
class Failure:
    """A plugin or retrofit that could not be used, and why. ``during`` is the step: load, screen, change ..."""

    plugin: str
    during: str
    reason: str


@dataclass(frozen=True)
class Loaded:
    """A retrofit ready for use and where it came from."""

    retrofit: Retrofit
    plugin: str
    origin: str

    @property
    def id(self) -> str:
        return self.retrofit.about.id


@dataclass(frozen=True)
class Registry:
    """Everything found: retrofits sorted by id, outputs, what was switched off, and what failed."""

    retrofits: tuple[Loaded, ...]
    outputs: tuple[Output, ...]
    off: tuple[str, ...]
    failures: tuple[Failure, ...]

    def versions(self) -> dict[str, str]:
        """Return the version of each retrofit by id."""
        return {loaded.id: loaded.retrofit.about.version for loaded in self.retrofits}


def find_plugins(off: Collection[str] = (), folder: Path | None = None) -> Registry:
    """Load every installed plugin and the one-file plugins in ``folder``, one at a time.

    ``off`` names retrofits (or plugins) that the company has switched off. ``folder`` may be one .py file, too.

    Raises
    ------
    AftersunError
        If ``folder`` is neither a folder nor such a file.
    """
    retrofits: dict[str, Loaded] = {}
    outputs: dict[str, Output] = {}
    failures: list[Failure] = []
    switched_off: list[str] = []
    for name, origin, module in _modules(folder, failures):
        if name in off:
            switched_off.append(name)
            continue
        try:
            brought, written = _register(module)
        except (Exception, SystemExit) as error:
            failures.append(Failure(name, "register", _sentence(error)))
            continue
        for retrofit in brought:
            problem = _problem_of(retrofit, retrofits)
            if problem:
                failures.append(Failure(name, "register", problem))
            elif retrofit.about.id in off:
                switched_off.append(retrofit.about.id)
            else:
                retrofits[retrofit.about.id] = Loaded(retrofit, name, origin)
        for output in written:
            if not isinstance(getattr(output, "id", None), str) or not callable(getattr(output, "write", None)):
                failures.append(Failure(name, "register", f"{type(output).__name__} has no 'id' or no method 'write'"))
            elif output.id in outputs:
                failures.append(Failure(name, "register", f"another plugin already brings the output '{output.id}'"))
            else:
                outputs[output.id] = output
    return Registry(
        tuple(retrofits[key] for key in sorted(retrofits)),
        tuple(outputs[key] for key in sorted(outputs)),
        tuple(sorted(set(switched_off))),
        tuple(failures),
    )


def _modules(folder: Path | None, failures: list[Failure]) -> list[tuple[str, str, ModuleType]]:
    found = []
    for entry in sorted(entry_points(group=specs.ENTRY_POINTS), key=lambda entry: entry.name):
        try:
            found.append((entry.name, _origin(entry), entry.load()))
        except (Exception, SystemExit) as error:
            failures.append(Failure(entry.name, "load", _sentence(error)))
    for path in _files(folder):
        try:
            found.append((path.stem, "file", _load_file(path)))
        except (Exception, SystemExit) as error:
            failures.append(Failure(path.stem, "load", _sentence(error)))
    return found


def _files(folder: Path | None) -> list[Path]:
    if folder is None:
        return []
    if folder.suffix == ".py" and folder.is_file():
        return [folder]
    if not folder.is_dir():
        raise AftersunError(
            f"There is no folder {folder} to load plugins from.", "Name an existing folder of .py files, or one file."
        )
    return sorted(folder.glob("*.py"))


def _load_file(path: Path) -> ModuleType:
    name = f"aftersun_file_plugin_{path.stem}"
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError(f"{path.name} cannot be imported")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def _register(module: ModuleType) -> tuple[list[Retrofit], list[Output]]:
    """Call the hooks of one plugin through a manager of its own, so that nobody else's failure is mixed in."""
    manager = pluggy.PluginManager(specs.PROJECT)
    manager.add_hookspecs(specs)
    manager.register(module)
    manager.check_pending()
    retrofits = [retrofit for batch in manager.hook.aftersun_retrofits() for retrofit in batch]
    outputs = [output for batch in manager.hook.aftersun_outputs() for output in batch]
    if not retrofits and not outputs:
        raise ValueError("it brings no retrofit and no output")
    return retrofits, outputs


def _problem_of(retrofit: Retrofit, taken: dict[str, Loaded]) -> str:
    try:
        missing = _missing_from(retrofit)
    except Exception as error:
        missing = _sentence(error)
    if missing:
        return missing
    about = retrofit.about
    if about.api_version != API_VERSION:
        return f"'{about.id}' is written for API version {about.api_version}; this program has version {API_VERSION}"
    if not _ID.fullmatch(about.id):
        return f"'{about.id}' is not an identifier of lower-case letters, digits and underscores"
    if about.id in taken:
        return f"'{about.id}' is already brought by the plugin '{taken[about.id].plugin}'"
    return ""


def _missing_from(retrofit: Retrofit) -> str:
    """Return what this lacks to be a retrofit, or "": better told here than met in the middle of a run."""
    about = getattr(retrofit, "about", None)
    if not isinstance(about, About):
        return f"{type(retrofit).__name__} has no 'about' that is an About"
    for name in ("reads", "sources", "price_items", "excludes", "needs"):
        listed = getattr(about, name)
        if isinstance(listed, str) or not all(isinstance(entry, str) for entry in listed):
            return f"about.{name} of '{about.id}' has to be a tuple of texts"
    for name, kind in (("assumptions", Range), ("facts", Fact)):
        held = getattr(retrofit, name, None)
        if not isinstance(held, Mapping) or not all(isinstance(value, kind) for value in held.values()):
            return f"'{about.id}' has no '{name}' that maps names to a {kind.__name__} each"
    if not all(isinstance(claim, Claim) for claim in getattr(retrofit, "claims", (None,))):
        return f"'{about.id}' has no 'claims' that is a sequence of Claim"
    for name in ("screen", "change", "safety"):
        if not callable(getattr(retrofit, name, None)):
            return f"'{about.id}' has no method '{name}'"
    return ""


def _origin(entry: EntryPoint) -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else "installed"


def _sentence(error: BaseException) -> str:
    text = " ".join(str(error).split()) or "no message"
    return f"{type(error).__name__}: {text}"

"""Finds plugins, built-in and foreign by the same door, and keeps one that cannot be loaded from stopping the rest."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from importlib.metadata import EntryPoint, entry_points
from multiprocessing import current_process
from pathlib import Path
from types import ModuleType
from typing import TypeVar

import pluggy

from aftersun.host import specs
from aftersun.host.answer_checks import PluginError, require
from aftersun.host.asking import CtrlC, Failure, TookTooLong, asking, limit_s, plugin_limit
from aftersun.host.sources import Source, load, module_hash, read_sources, text_hash
from aftersun.host.workers import Workers
from aftersun.model.change import API_VERSION, About, PriceItem, Retrofit
from aftersun.model.output import OF_LETTER, OF_RUN, Output
from aftersun.model.ranges import Claim, Fact, Range

Answer = TypeVar("Answer")

_ID = re.compile(r"[a-z][a-z0-9_]*")


@dataclass(frozen=True)
class Loaded:
    """A retrofit ready for use and where it came from; ``code`` is a hash of what is run."""

    retrofit: Retrofit
    plugin: str
    origin: str
    code: str = ""

    @property
    def id(self) -> str:
        return self.retrofit.about.id

    @property
    def built_in(self) -> bool:
        """Whether it came with the program."""
        return _came_along(self.origin)


@dataclass(frozen=True)
class Registry:
    """Everything found: retrofits sorted by id, outputs, what was switched off, and what failed."""

    retrofits: tuple[Loaded, ...]
    outputs: tuple[Output, ...]
    off: tuple[str, ...]
    failures: tuple[Failure, ...]
    output_origins: Mapping[str, str] = field(default_factory=dict)
    unusable: tuple[Failure, ...] = ()  # of the failures those of plugins that bring nothing: not to be loaded again

    def versions(self) -> dict[str, str]:
        """Return the version of each retrofit by id."""
        return {loaded.id: loaded.retrofit.about.version for loaded in self.retrofits}

    def codes(self) -> dict[str, str]:
        """Return a hash of the code of each retrofit by id."""
        return {loaded.id: loaded.code for loaded in self.retrofits}

    def came_along(self, output: str) -> bool:
        """Tell whether an output came with the program."""
        return _came_along(self.output_origins[output])


def find_plugins(off: Collection[str] = (), folder: Path | None = None) -> Registry:
    """Load every installed plugin and the one-file plugins in ``folder``, one at a time.

    ``off`` names retrofits (or plugins) that the company has switched off. ``folder`` may be one .py file, too.

    Raises
    ------
    AftersunError
        If ``folder`` is neither a folder nor such a file.
    """
    return load_plugins(off, read_sources(folder))


def load_plugins(
    off: Collection[str], sources: Sequence[Source], unusable: Sequence[Failure] | None = None
) -> Registry:
    """Load every installed plugin and the one-file plugins of these texts, one at a time, without ``unusable`` ones.

    Where those are not known, what did not come with the program is loaded in another process first, which it may end.
    """
    left_out = _tried(off, sources) if unusable is None else {failure.plugin: failure for failure in unusable}
    retrofits: dict[str, Loaded] = {}
    outputs: dict[str, Output] = {}
    origins: dict[str, str] = {}
    failures: list[Failure] = []
    switched_off: list[str] = []
    bringing: set[str] = set()
    for name, origin, load_module, code in _plugins(sources):
        if name in off:
            switched_off.append(name)
            continue
        if name in left_out:
            failures.append(left_out[name])
            continue
        loaded = _load(name, load_module, failures)
        if loaded is None:
            continue
        module, brought, written = loaded
        for retrofit in brought:
            if not _ask(name, "register", partial(_check_retrofit, retrofit, retrofits), failures):
                continue
            if retrofit.about.id in off:
                switched_off.append(retrofit.about.id)
            else:
                retrofits[retrofit.about.id] = Loaded(retrofit, name, origin, code or module_hash(module))
                bringing.add(name)
        for output in written:
            if not _ask(name, "register", partial(_check_output, output, outputs), failures):
                continue
            if output.id in off:
                switched_off.append(output.id)
            else:
                outputs[output.id], origins[output.id] = output, origin
                bringing.add(name)
    return Registry(
        tuple(retrofits[key] for key in sorted(retrofits)),
        tuple(outputs[key] for key in sorted(outputs)),
        tuple(sorted(set(switched_off))),
        tuple(failures),
        {key: origins[key] for key in sorted(origins)},
        tuple(failure for failure in failures if failure.plugin not in bringing),
    )


def _plugins(sources: Sequence[Source]) -> Iterator[tuple[str, str, Callable[[], ModuleType], str]]:
    """Yield name and origin of each plugin, how to load its module, and the hash of its code if it is one file."""
    for entry in sorted(entry_points(group=specs.ENTRY_POINTS), key=lambda entry: entry.name):
        yield entry.name, _origin(entry), entry.load, ""
    for source in sources:
        yield source.name, "file", partial(load, source), text_hash(source)


def _came_along(origin: str) -> bool:
    return origin.startswith(f"{specs.PROJECT} ")


def _tried(off: Collection[str], sources: Sequence[Source]) -> dict[str, Failure]:
    """Load plugins that did not come with the program in another process; return by name why one cannot be used."""
    strange = [name for name, origin, *_ in _plugins(sources) if name not in off and not _came_along(origin)]
    if not strange or current_process().daemon:  # a worker of a cluster may start none; who sent the work has tried
        return {}
    with Workers(_try, 1, limit_s()) as workers:
        answers = list(workers.run((name, sources, limit_s()) for name in strange))
    return {
        name: replace(failure, plugin=name, during=failure.during or "load")
        for (name, *_), failure in answers
        if failure is not None
    }


def _try(job: tuple[str, Sequence[Source], float]) -> Failure | None:
    """Load one plugin and return why it cannot be used, if it has not ended the process by then.

    What it brings is looked at too: a fault there is one of that part alone, and no reason to leave the rest out.
    """
    wanted, sources, seconds = job
    failures: list[Failure] = []
    plugins = list(_plugins(sources))
    for _, origin, load_module, _ in plugins:
        if _came_along(origin):  # imports what all stand on, which is not the time of the one tried
            with suppress(Exception):  # is told where it is loaded to be used
                load_module()
    with plugin_limit(seconds):
        for name, _, load_module, _ in plugins:
            loaded = _load(name, load_module, failures) if name == wanted else None
            if loaded is not None:
                for retrofit in loaded[1]:
                    _ask(name, "register", partial(_check_retrofit, retrofit, {}), [])
                for output in loaded[2]:
                    _ask(name, "register", partial(_check_output, output, ()), [])
    return failures[0] if failures else None


def _load(
    name: str, load_module: Callable[[], ModuleType], failures: list[Failure]
) -> tuple[ModuleType, list[Retrofit], list[Output]] | None:
    """Load a plugin's module and ask what it brings; None if it fails, which is noted."""
    module = _ask(name, "load", load_module, failures)
    registered = None if module is None else _ask(name, "register", partial(_register, module), failures)
    return None if module is None or registered is None else (module, *registered)


def _ask(name: str, during: str, call: Callable[[], Answer], failures: list[Failure]) -> Answer | None:
    """Run a plugin's code; None if it fails, which is noted."""
    try:
        with asking(name, during):
            return call()
    except CtrlC:
        raise
    except BaseException as error:  # a plugin may raise anything; the others must go on
        failures.append(Failure(name, during, _sentence(error)))
        return None


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


def _check_retrofit(retrofit: Retrofit, taken: Mapping[str, Loaded]) -> bool:
    """Raise PluginError for what this lacks to be a retrofit: better told here than met in the middle of a run."""
    about = getattr(retrofit, "about", None)
    if not isinstance(about, About):
        raise PluginError(f"{type(retrofit).__name__} has no 'about' that is an About")
    for name in ("reads", "sources", "price_items", "excludes", "needs"):
        listed = getattr(about, name)
        texts = not isinstance(listed, str) and all(isinstance(entry, str) for entry in listed)
        require(texts, f"about.{name} of '{about.id}' has to be a tuple of texts")
    described = isinstance(about.prices, tuple) and all(isinstance(item, PriceItem) for item in about.prices)
    require(described, f"about.prices of '{about.id}' has to be a tuple of PriceItem")
    for name, kind in (("assumptions", Range), ("facts", Fact)):
        held = getattr(retrofit, name, None)
        named = isinstance(held, Mapping) and all(isinstance(value, kind) for value in held.values())
        require(named, f"'{about.id}' has no '{name}' that maps names to a {kind.__name__} each")
    claims = all(isinstance(claim, Claim) for claim in getattr(retrofit, "claims", (None,)))
    require(claims, f"'{about.id}' has no 'claims' that is a sequence of Claim")
    for name in ("screen", "change", "safety"):
        require(callable(getattr(retrofit, name, None)), f"'{about.id}' has no method '{name}'")
    require(
        type(about.api_version) is int and 1 <= about.api_version <= API_VERSION,
        f"'{about.id}' is written for API version {about.api_version}; this program has version {API_VERSION}",
    )
    named_well = _ID.fullmatch(about.id) is not None
    require(named_well, f"'{about.id}' is not an identifier of lower-case letters, digits and underscores")
    if about.id in taken:
        raise PluginError(f"'{about.id}' is already brought by the plugin '{taken[about.id].plugin}'")
    return True


def _check_output(output: Output, taken: Collection[str]) -> bool:
    """Raise PluginError for what this lacks to be an output that can be written."""
    name, writes, of, personal = (getattr(output, part, None) for part in ("id", "writes", "of", "personal"))
    if not isinstance(name, str) or not _ID.fullmatch(name):
        raise PluginError(f"{type(output).__name__} has no 'id' of lower-case letters, digits and underscores")
    said = isinstance(writes, str) and bool(writes.strip())
    require(said, f"'{name}' does not say in 'writes' what it writes")
    require(of in (OF_RUN, OF_LETTER), f"'{name}' has to be 'of' a {OF_RUN} or a {OF_LETTER}")
    require(isinstance(personal, bool), f"'{name}' has to say in 'personal' whether it needs names, True or False")
    without_names = of == OF_LETTER and not personal
    require(not without_names, f"'{name}' writes letters, which need names: 'personal' has to be True")
    require(callable(getattr(output, "write", None)), f"'{name}' has no method 'write'")
    texts = all(isinstance(key, str) for key in getattr(output, "words", ()))
    require(texts, f"'{name}' has 'words' that are no texts by key")
    require(name not in taken, f"another plugin already brings the output '{name}'")
    return True


def _origin(entry: EntryPoint) -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else "installed"


def _sentence(error: BaseException) -> str:
    text = " ".join(str(error).split()) or "no message"
    return text if isinstance(error, TookTooLong | PluginError) else f"{type(error).__name__}: {text}"

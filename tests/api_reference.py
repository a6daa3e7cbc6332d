"""The reference of ``aftersun.api`` as Markdown, made from its docstrings and the remarks beside its fields.

``python tests/api_reference.py plugins/README.md`` renews it between its two markers in that file.
"""

from __future__ import annotations

import inspect
import re
import sys
import textwrap
from collections.abc import Callable, Iterator
from dataclasses import MISSING, Field, fields, is_dataclass
from typing import Any

from marked_text import put_between, renew_file

from aftersun import api
from aftersun.host import specs
from aftersun.model import change, figures, ranges
from aftersun.model.plant import PER_ARRAY

BEGIN = "<!-- reference begin -->"
END = "<!-- reference end -->"

_HOOKS = ("aftersun_retrofits", "aftersun_outputs")
_CONSTANTS_FROM = (change, ranges, figures)
_WIDTH = 130
_SHAPES = (
    "S sites, A arrays, H = 8760 hours, Y years, K load shapes. `Texts` is an array of texts, `Rows` one of "
    "positions; `Hours` and `HourlyKwh` have a number for each hour."
)


def reference_markdown() -> str:
    """Return hooks, what a plugin is, functions, records and constants, each sorted by name."""
    things = {name: getattr(api, name) for name in api.__all__}
    classes = {name: thing for name, thing in things.items() if inspect.isclass(thing)}
    protocols = {name: thing for name, thing in classes.items() if getattr(thing, "_is_protocol", False)}
    functions = {name: thing for name, thing in things.items() if inspect.isfunction(thing)}
    rest = {name: thing for name, thing in things.items() if name not in classes and name not in functions}
    parts = ["### Hooks", "A module has those it brings something by; the marker `@api.hookimpl` stands before each."]
    parts += [_function(name, getattr(specs, name)) for name in _HOOKS]
    parts += ["### What the hooks return", *(_class(name, thing) for name, thing in protocols.items())]
    parts += ["### Functions", *(_function(name, thing) for name, thing in functions.items())]
    parts += [
        "### Records",
        _SHAPES,
        *(_class(name, thing) for name, thing in classes.items() if name not in protocols),
    ]
    parts += ["### Constants and types", _constants(rest)]
    return "\n\n".join(parts) + "\n"


def renewed(text: str) -> str:
    """Return a document with the reference renewed between its markers."""
    return put_between(text, BEGIN, END, reference_markdown())


def _function(name: str, function: Callable[..., object]) -> str:
    return f"`{name}{_signature(function)}`\n\n{_text(function)}"


def _class(name: str, thing: type) -> str:
    parts = [f"#### {name}", _text(thing)]
    if "__init__" in vars(thing) and not is_dataclass(thing) and not getattr(thing, "_is_protocol", False):
        parts.insert(1, f"`{name}{_signature(vars(thing)['__init__'])}`")
    if is_dataclass(thing):
        remarks = _remarks(thing)
        rows = ["| field | type | default | meaning |", "|---|---|---|---|"]
        for field in fields(thing):
            shape = "" if thing is not api.Plant else " (A,)" if field.name in PER_ARRAY else " (S,)"
            cells = (
                f"`{field.name}`",
                f"`{_type(str(field.type))}`{shape}",
                _default(field),
                remarks.get(field.name, ""),
            )
            rows.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
        parts.append("\n".join(rows))
    members = [f"- {' '.join(entry.split())}" for entry in _members(thing)]
    return "\n\n".join([*parts, *(["\n".join(members)] if members else [])])


def _default(field: Field[Any]) -> str:
    if field.default is not MISSING:
        return f"`{field.default!r}`"
    return "" if field.default_factory is MISSING else f"`{field.default_factory()!r}`"


def _members(thing: type) -> Iterator[str]:
    """Yield the public methods and properties that a class defines itself and documents, one line each."""
    for name, member in vars(thing).items():
        if name.startswith("_"):
            continue
        function = member.fget if isinstance(member, property) else getattr(member, "__func__", member)
        if inspect.isfunction(function):
            returned = _type(str(inspect.signature(function).return_annotation))
            head = f"{name}: {returned}" if isinstance(member, property) else f"{name}{_signature(function)}"
            yield f"`{head}` {_text(function)}"


def _signature(function: Callable[..., object]) -> str:
    """Return parameters and result as they are written, without ``self``."""
    signature = inspect.signature(function)
    parameters = []
    for name, parameter in signature.parameters.items():
        if name in ("self", "cls"):
            continue
        stars = "**" if parameter.kind is inspect.Parameter.VAR_KEYWORD else ""
        default = "" if parameter.default is inspect.Parameter.empty else f" = {parameter.default!r}"
        parameters.append(f"{stars}{name}: {_type(str(parameter.annotation))}{default}")
    result = str(signature.return_annotation)
    return f"({', '.join(parameters)})" + (f" -> {_type(result)}" if result != "None" else "")


def _type(text: str) -> str:
    return text.replace("npt.NDArray[np.object_]", "Texts").replace("npt.NDArray[np.intp]", "Rows")


def _text(thing: object) -> str:
    """Return a docstring as Markdown; a section of errors becomes a sentence."""
    text = inspect.cleandoc(inspect.getdoc(thing) or "")
    text = re.sub(r"Raises\n-+\n(\w+)\n\s+", r"Raises `\1`: ", text)
    text = re.sub(r":\w+:`([^`]+)`", r"`\1`", text).replace("``", "`")
    return "\n\n".join(_filled(" ".join(paragraph.split())) for paragraph in text.split("\n\n"))


def _filled(text: str) -> str:
    return textwrap.fill(text, _WIDTH, break_long_words=False, break_on_hyphens=False)


def _remarks(thing: type) -> dict[str, str]:
    """Return the remark beside each field of a record."""
    return dict(re.findall(r"^    (\w+): [^#\n]*#\s*(.+)$", inspect.getsource(thing), re.MULTILINE))


def _constants(things: dict[str, Any]) -> str:
    source = "\n".join(inspect.getsource(module) for module in _CONSTANTS_FROM)
    remarks = dict(re.findall(r"^([A-Za-z_]+) = [^#\n]*#\s*(.+)$", source, re.MULTILINE))
    rows = ["| name | value | meaning |", "|---|---|---|"]
    for name, value in things.items():
        plain = str(value) if isinstance(value, str) else value  # a code shows its value
        shown = f"`{plain!r}`" if isinstance(value, str | int) else ""
        meaning = remarks.get(name, "marks a hook of a plugin" if name == "hookimpl" else "")
        rows.append(f"| `{name}` | {shown} | {meaning} |")
    return "\n".join(rows)


if __name__ == "__main__":
    renew_file("api_reference.py", sys.argv[1:], renewed)

"""Turns what pydantic finds in a settings file into lines for people: place, problem, what to do."""

from __future__ import annotations

import math
from difflib import get_close_matches

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from aftersun.model.toml_file import meant


def complaints(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """Return one line per problem, in file order of the sections: ``place: problem (what to write)``."""
    return [f"{'.'.join(map(str, problem['loc']))}: {_sentence(problem, model)}" for problem in error.errors()]


def _sentence(problem: ErrorDetails, model: type[BaseModel]) -> str:
    location, value = problem["loc"], problem["input"]
    siblings = _fields(model, location[:-1])
    field = siblings.get(str(location[-1])) if location else None
    wanted = f" ({field.description})" if field is not None and field.description else ""
    name = str(location[-1]) if location else "the file"
    if problem["type"] == "missing":
        return f"is missing; add '{name} = ...'{wanted}"
    if problem["type"] == "extra_forbidden":
        near = get_close_matches(name, list(siblings), n=1)
        return f"is not known here; did you mean '{near[0]}'?" if near else "is not known here; remove it"
    if (
        isinstance(value, str)
        and problem["type"].startswith(("float", "int", "bool", "date"))
        and (right := meant(value))
    ):
        return f"is a text, {value!r}; write {right}"
    if value == "" or (isinstance(value, float) and math.isnan(value)):
        return f"is not filled in yet; write your own{wanted}"
    if problem["type"] == "value_error":
        return str(problem["ctx"]["error"])
    return problem["msg"].replace("Input should", "should").replace("String should", "should") + wanted


def _fields(model: type[BaseModel], location: tuple[int | str, ...]) -> dict[str, FieldInfo]:
    """Return the fields known at ``location`` by the names used in the file; none inside free tables."""
    named = {field.alias or name: field for name, field in model.model_fields.items()}
    if not location:
        return named
    field = named.get(str(location[0]))
    inner = field.annotation if field is not None else None
    if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
        return {}
    return _fields(inner, location[1:])

"""Turns what pydantic finds in a settings file into lines for people: place, problem, what to do."""

from __future__ import annotations

import math
from difflib import get_close_matches

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails


def complaints(error: ValidationError, model: type[BaseModel]) -> list[str]:
    """Return one line per problem, in file order of the sections: ``place: problem (what to write)``."""
    return [f"{'.'.join(map(str, found['loc']))}: {_sentence(found, model)}" for found in error.errors()]


def _sentence(found: ErrorDetails, model: type[BaseModel]) -> str:
    place, value = found["loc"], found["input"]
    field = _field(model, place)
    wanted = f" ({field.description})" if field is not None and field.description else ""
    name = str(place[-1]) if place else "the file"
    if found["type"] == "missing":
        return f"is missing; add '{name} = ...'{wanted}"
    if found["type"] == "extra_forbidden":
        known = list(_fields(model, place[:-1]))
        near = get_close_matches(name, known, n=1)
        return f"is not known here; did you mean '{near[0]}'?" if near else "is not known here; remove it"
    if value == "" or (isinstance(value, float) and math.isnan(value)):
        return f"is not filled in yet; write your own{wanted}"
    if found["type"] == "value_error":
        return str(found["ctx"]["error"])
    return found["msg"].replace("Input should", "should").replace("String should", "should") + wanted


def _fields(model: type[BaseModel], place: tuple[int | str, ...]) -> dict[str, FieldInfo]:
    """Return the fields known at ``place`` by the names used in the file; none inside free tables."""
    for part in place:
        field = _named(model).get(str(part))
        inner = field.annotation if field is not None else None
        if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
            return {}
        model = inner
    return _named(model)


def _named(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _field(model: type[BaseModel], place: tuple[int | str, ...]) -> FieldInfo | None:
    return _fields(model, place[:-1]).get(str(place[-1])) if place else None

"""Records, mappings and tuples of arrays, taken as one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

Record = TypeVar("Record")
Array = npt.NDArray[Any]


def each_array(function: Callable[..., Array], first: Record, *others: Record) -> Record:
    """Return a record like ``first`` whose arrays are what ``function`` makes of its own and those of ``others``.

    A record is an array, a mapping, a tuple or a dataclass, of records; all have the names of the first.
    """
    records: tuple[Any, ...] = (first, *others)
    made: Any
    if isinstance(first, np.ndarray):
        made = function(*records)
    elif isinstance(first, Mapping):
        made = {name: each_array(function, *(record[name] for record in records)) for name in first}
    elif isinstance(first, tuple):
        made = tuple(each_array(function, *parts) for parts in zip(*records, strict=True))
    else:
        names = [column.name for column in fields(first)]  # type: ignore[arg-type]
        made = type(first)(*(each_array(function, *(getattr(record, name) for record in records)) for name in names))
    result: Record = made
    return result


def take(rows: npt.NDArray[np.intp] | npt.NDArray[np.bool_], record: Record) -> Record:
    """Return a record of the sites at these positions, or where this is true."""
    return each_array(lambda values: values[rows], record)


def put(rows: npt.NDArray[np.intp], record: Record, few: Record) -> Record:
    """Return a record with that of a few sites put in the place of theirs."""

    def replaced(values: Array, of_few: Array) -> Array:
        result = values.copy()
        result[rows] = of_few
        return result

    return each_array(replaced, record, few)


def choose(choice: npt.NDArray[np.intp], *options: Record) -> Record:
    """Return a record that has at each site what the option at the position ``choice`` (S,) has."""
    return each_array(lambda *values: np.stack(values)[choice, np.arange(len(choice))], *options)

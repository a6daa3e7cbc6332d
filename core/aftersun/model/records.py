"""Records, mappings and tuples of arrays, taken as one; and what was worked out of a record and is kept with it."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

Record = TypeVar("Record")
Result = TypeVar("Result")
Number = TypeVar("Number", bound=np.generic)
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


class Kept(dict[Hashable, Any]):
    """Results by name, of one record alone: a record that is replaced or pickled begins with none.

    Declare it ``field(default_factory=Kept, init=False, repr=False)``, so that ``replace`` neither carries nor sets it.
    What is kept follows from the record's content: another content never finds it, and no message carries it.
    """

    def __reduce__(self) -> tuple[type[Kept], tuple[()]]:
        return Kept, ()

    def once(self, name: Hashable, compute: Callable[[], Result]) -> Result:
        """Return what ``compute`` gives, worked out at the first call; an array, or each of a tuple, is read-only."""
        if name not in self:
            result = compute()
            for part in result if isinstance(result, tuple) else (result,):
                if isinstance(part, np.ndarray):
                    part.flags.writeable = False  # shared by all who ask
            self[name] = result
        known: Result = self[name]
        return known

    def recall(
        self,
        kind: Hashable,
        keys: Sequence[Hashable],
        compute: Callable[[list[Any]], Iterable[npt.NDArray[Number]]],
        limit: int,
    ) -> list[npt.NDArray[Number]]:
        """Return one read-only array per key, computing each distinct key once.

        ``compute`` takes the list of distinct keys not yet kept and yields their arrays in that order. At most
        ``limit`` arrays of a kind are kept, the newest.
        """
        kept: dict[Hashable, npt.NDArray[Number]] = self.setdefault(kind, {})
        missing = [key for key in dict.fromkeys(keys) if key not in kept]
        fresh = dict(zip(missing, compute(missing), strict=True)) if missing else {}
        for values in fresh.values():
            values.flags.writeable = False
        rows = [fresh[key] if key in fresh else kept[key] for key in keys]
        kept.update(fresh)
        for old in list(kept)[: max(len(kept) - limit, 0)]:
            del kept[old]
        return rows

"""What was worked out of a record and is kept with it, so that it is worked out once."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

Result = TypeVar("Result")
Number = TypeVar("Number", bound=np.generic)


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

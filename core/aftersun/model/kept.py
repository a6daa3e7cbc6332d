"""What was worked out of a record and is kept with it, so that it is worked out once."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any


class Kept(dict[Hashable, Any]):
    """Results by name, of one record alone: a record that is replaced or pickled begins with none.

    Declare it ``field(default_factory=Kept, init=False, repr=False)``, so that ``replace`` neither carries nor sets it.
    What is kept follows from the record's content: another content never finds it, and no message carries it.
    """

    def __reduce__(self) -> tuple[type[Kept], tuple[()]]:
        return Kept, ()

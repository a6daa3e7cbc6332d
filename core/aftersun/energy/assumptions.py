"""The core's own assumptions on systems, and a bounded memo for what the weather year alone decides."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from aftersun.model import tables
from aftersun.model.errors import AftersunError
from aftersun.model.ranges import Range

Float32s = npt.NDArray[np.float32]

NO_OVERRIDES: Mapping[str, float] = MappingProxyType({})


def system_values(overrides: Mapping[str, float] = NO_OVERRIDES) -> Mapping[str, float]:
    """Return the value in force of every assumption of ``system.csv``: the override, else the mode.

    Raises AftersunError for a name that the table does not have and for a value that cannot be.
    """
    system = tables.ranges("system.csv")
    unknown = sorted(set(overrides) - set(system))
    if unknown:
        raise AftersunError(
            f"There is no assumption on systems named {unknown[0]!r}.", "Use one of: " + ", ".join(system)
        )
    impossible = [name for name, value in overrides.items() if not _possible(value, system[name])]
    if impossible:
        known = system[impossible[0]]
        raise AftersunError(
            f"The value {overrides[impossible[0]]:g} given for {impossible[0]!r} cannot be.",
            f"Give it in {known.unit}; usual are {known.low:g} to {known.high:g}.",
        )
    return {name: float(overrides.get(name, known.mode)) for name, known in system.items()}


def _possible(value: float, known: Range) -> bool:
    """Tell whether a value has a sign that its range has and, if a share or a chance, is at most 1."""
    has_sign = known.low < 0 if value < 0 else known.high > 0 if value > 0 else known.low <= 0 <= known.high
    return math.isfinite(value) and has_sign and not (known.unit in ("share", "chance") and value > 1)


def between_nodes(values: Float32s, place: Float32s, first: npt.NDArray[np.intp] | int = 0) -> Float32s:
    """Return a table's values at places between its nodes, on straight lines; shape as ``place``.

    ``place`` counts nodes from 0 to less than the last. ``values`` may hold several tables in a row, of which
    ``first`` says where each one begins; shapes broadcast. ``place`` is used up.
    """
    whole = np.floor(place)
    place -= whole
    node = whole.astype(np.intp) + first
    found: Float32s = np.diff(values, append=values[-1:]).take(node)
    found *= place
    found += values.take(node)
    return found


def recall(
    memo: dict[Any, Any],
    kind: str,
    keys: Sequence[Hashable],
    compute: Callable[[list[Any]], Iterable[Float32s]],
    limit: int,
) -> list[Float32s]:
    """Return one read-only array per key, computing each distinct key once.

    ``compute`` takes the list of distinct keys not yet in ``memo`` and yields their arrays in that order.
    At most ``limit`` arrays of a kind are kept, the newest.
    """
    kept: dict[Hashable, Float32s] = memo.setdefault(kind, {})
    missing = [key for key in dict.fromkeys(keys) if key not in kept]
    fresh = dict(zip(missing, compute(missing), strict=True)) if missing else {}
    for values in fresh.values():
        values.flags.writeable = False
    rows = [fresh[key] if key in fresh else kept[key] for key in keys]
    kept.update(fresh)
    for old in list(kept)[: max(len(kept) - limit, 0)]:
        del kept[old]
    return rows

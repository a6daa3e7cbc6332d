"""The core's own assumptions on systems, and tables that are straight between their nodes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

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
    """Tell whether a value has a sign that its range has and, if a share, is at most 1; a chance is 0 to 1."""
    if known.unit == "chance":
        return 0 <= value <= 1
    has_sign = known.low < 0 if value < 0 else known.high > 0 if value > 0 else known.low <= 0 <= known.high
    return math.isfinite(value) and has_sign and not (known.unit == "share" and value > 1)


def between_nodes(values: Float32s, position: Float32s, first: npt.NDArray[np.intp] | int = 0) -> Float32s:
    """Return a table's values at positions between its nodes, on straight lines; shape as ``position``.

    ``position`` counts nodes from 0 to less than the last. ``values`` may hold several tables in a row, of which
    ``first`` says where each one begins; shapes broadcast. ``position`` is used up.
    """
    whole = np.floor(position)
    position -= whole
    node = whole.astype(np.intp) + first
    between: Float32s = np.diff(values, append=values[-1:]).take(node)
    between *= position
    between += values.take(node)
    return between

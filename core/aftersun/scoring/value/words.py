"""How parts of a note are put together."""

from __future__ import annotations

EVERY_YEAR = "every year"  # how the note of a yearly cost item begins


def join(*parts: str) -> str:
    """Join the parts that say something."""
    return "; ".join(part for part in parts if part)

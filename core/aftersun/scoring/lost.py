"""What is said of a chunk that nobody can compute."""

from __future__ import annotations

from aftersun.model.errors import AftersunError


def given_up(number: int, chunks: int, how: str) -> AftersunError:
    """Return the error for a chunk that nobody can compute; ``number`` counts from 0."""
    return AftersunError(
        f"Chunk {number + 1} of {chunks} {how}; the run ends.",
        "Memory may be short: try with fewer workers. What is finished is kept; rank again to go on.",
    )

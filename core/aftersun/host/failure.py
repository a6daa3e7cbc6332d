"""What is said of a plugin that could not be used, or that did what it should not."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Failure:
    """A plugin or retrofit that could not be used, and why. ``during`` is the step: load, screen, change ..."""

    plugin: str
    during: str
    reason: str


class Remarks:
    """Gathers what plugins did that they should not and that stopped nobody; each thing once."""

    def __init__(self) -> None:
        self._told: dict[Failure, None] = {}

    def add(self, plugin: str, during: str, text: str) -> None:
        """Keep a remark."""
        self._told.setdefault(Failure(plugin, during, text))

    def take(self) -> tuple[Failure, ...]:
        """Return all remarks and forget them."""
        told, self._told = tuple(self._told), {}
        return told


remarks = Remarks()  # of this process

"""Who is being asked right now: a note that another process can still read when this one hangs or is dead."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

SIZE = 256
_COUNT, _THREAD = slice(0, 8), slice(8, 16)
_TEXT = 16


class Duty:
    """A note in memory of ``SIZE`` bytes, shared with another process or not.

    It counts: odd while a plugin is at work, even in between, so a count that stands still and is odd is a plugin that
    does not answer.
    """

    def __init__(self, memory: Any = None) -> None:
        self._memory = memory if memory is not None else bytearray(SIZE)

    def begin(self, plugin: str, during: str) -> None:
        """Note that a plugin is asked."""
        text = f"{plugin}\n{during}".encode()[: SIZE - _TEXT - 1] + b"\0"
        self._memory[_TEXT : _TEXT + len(text)] = text
        self._memory[_THREAD] = threading.get_ident().to_bytes(8, "little")
        self._memory[_COUNT] = ((self.count | 1) if not self.count & 1 else self.count + 2).to_bytes(8, "little")

    def end(self) -> None:
        """Note that it has answered."""
        self._memory[_COUNT] = ((self.count | 1) + 1).to_bytes(8, "little")

    @property
    def count(self) -> int:
        """Another number whenever a plugin begins or ends."""
        return int.from_bytes(bytes(self._memory[_COUNT]), "little")

    @property
    def thread(self) -> int:
        """The thread that asks."""
        return int.from_bytes(bytes(self._memory[_THREAD]), "little")

    def asked(self) -> tuple[str, str] | None:
        """Return plugin and step while one is at work, else None."""
        if not self.count & 1:
            return None
        text = bytes(self._memory[_TEXT:SIZE]).split(b"\0", 1)[0].decode(errors="replace")
        plugin, _, during = text.partition("\n")
        return plugin, during


class _Here:
    """The note of this process."""

    def __init__(self) -> None:
        self.duty = Duty()


_here = _Here()


def share(memory: Any) -> None:
    """Keep the note of this process in memory that another process reads."""
    _here.duty = Duty(memory)


def mine() -> Duty:
    """Return the note of this process."""
    return _here.duty


@contextmanager
def asking(plugin: str, during: str) -> Iterator[None]:
    """Note for a block who is asked what."""
    duty = _here.duty
    duty.begin(plugin, during)
    try:
        yield
    finally:
        duty.end()

"""The one class of expected errors: a sentence for the person, a hint on what to do next, a documented exit code."""

from __future__ import annotations

EXIT_DONE = 0
EXIT_BUG = 1
EXIT_BAD_INPUT = 2
EXIT_LOSSES = 3
EXIT_IN_USE = 4


class AftersunError(Exception):
    """An expected failure. ``str(error)`` is one sentence; ``hint`` says what to do next.

    Never put a customer's data into either: they are printed and logged.
    """

    exit_code = EXIT_BAD_INPUT

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.hint = hint


class InUse(AftersunError):
    """The inventory is held by another process."""

    exit_code = EXIT_IN_USE

"""Calls one retrofit at a time, checks each answer, and leaves out the one that fails."""

from __future__ import annotations

import re
import traceback
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import TypeVar

from aftersun.host.answer_checks import ANY_TEXT, PluginError, check_change, check_notes, check_screening
from aftersun.host.asking import CtrlC, Failure, TookTooLong, asking
from aftersun.host.assumed import assumed, in_force, screened
from aftersun.host.registry import Loaded
from aftersun.model.change import Change, Notes, Screening
from aftersun.model.cohort import Cohort, lent
from aftersun.model.plant import Plant
from aftersun.model.ranges import Assumed

Answer = TypeVar("Answer")


class Guard:
    """Asks retrofits and remembers which failed. A failed retrofit is not asked again in this run.

    ``choices`` says what the plant's columns of texts may hold, by column; others may hold any text. ``values`` gives
    what is in force of a retrofit's assumptions; without it they are the usual ones.
    """

    def __init__(
        self, choices: Mapping[str, Collection[str]] = ANY_TEXT, values: Callable[[Loaded], Assumed] | None = None
    ) -> None:
        self.failures: list[Failure] = []
        self._choices = choices
        self._values = values or (lambda loaded: assumed(loaded.retrofit, {}, {}))

    def failed(self, loaded: Loaded) -> bool:
        """Tell whether this retrofit has failed in this run."""
        return any(failure.plugin == loaded.id for failure in self.failures)

    def screen(self, loaded: Loaded, cohort: Cohort) -> Screening | None:
        """Return the checked screening, or None if the retrofit failed."""
        return self._ask(
            loaded,
            "screen",
            cohort,
            lambda: screened(loaded.retrofit, lent(cohort), self._values(loaded)),
            check_screening,
        )

    def safety(self, loaded: Loaded, cohort: Cohort) -> Notes | None:
        """Return the checked safety notes, or None if the retrofit failed."""
        return self._ask(
            loaded,
            "safety",
            cohort,
            lambda: in_force(loaded.retrofit, self._values(loaded)).safety(lent(cohort)),
            check_notes,
        )

    def change(self, loaded: Loaded, cohort: Cohort, plant: Plant, assume: Assumed) -> Change | None:
        """Return the checked change, or None if the retrofit failed."""
        return self._ask(
            loaded,
            "change",
            cohort,
            lambda: loaded.retrofit.change(lent(cohort), plant, assume),
            lambda answer, size: check_change(
                answer, size, len(cohort.arrays), loaded.retrofit.about.priced_items, self._choices, plant
            ),
        )

    def fail(self, loaded: Loaded, during: str, reason: str) -> None:
        """Mark a retrofit as failed for this run."""
        self.failures.append(Failure(loaded.id, during, reason))

    def _ask(
        self,
        loaded: Loaded,
        during: str,
        cohort: Cohort,
        call: Callable[[], Answer],
        check: Callable[[Answer, int], None],
    ) -> Answer | None:
        if self.failed(loaded):
            return None
        try:
            with asking(loaded.id, during):
                answer = call()
                check(answer, len(cohort))  # what it asks of the answer may be the plugin's own code, too
        except CtrlC:
            raise
        except BaseException as error:  # a plugin may raise anything; the others must go on
            self.fail(loaded, during, _without_ids(_reason(error), cohort))
            return None
        return answer


def _without_ids(text: str, cohort: Cohort) -> str:
    """Return a reason without the numbers of sites and arrays that the plugin may have put into it."""
    ids = {*map(str, cohort.sites.index), *map(str, cohort.arrays.index)}
    return _WORD.sub(lambda word: "..." if word[0] in ids else word[0], text)


_WORD = re.compile(r"[\w.-]*\w")


def _reason(error: BaseException) -> str:
    # str() of a KeyError is the quoted form of its message
    message = error.args[0] if isinstance(error, KeyError) and error.args else error
    text = " ".join(str(message).split()) or "no message"
    if isinstance(error, PluginError | TookTooLong):
        return text
    raised_at = traceback.extract_tb(error.__traceback__)[-1]
    return f"{type(error).__name__}: {text} ({Path(raised_at.filename).name}, line {raised_at.lineno})"

"""The shape of a retrofit: what a plugin hands over through the hooks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from aftersun.model.change import About, Change, Notes, Screening
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant
from aftersun.model.ranges import Assumed, Claim, Fact, Range


class Retrofit(Protocol):
    """One retrofit. All methods work on a whole cohort; one site alone gives the same as in a batch."""

    @property
    def about(self) -> About:
        """Who it is."""

    @property
    def assumptions(self) -> Mapping[str, Range]:
        """Every number it uses, by name, with range, unit and source; the company's book may override each."""

    @property
    def facts(self) -> Mapping[str, Fact]:
        """Yes/no facts of a site that matter and are often unknown."""

    @property
    def claims(self) -> Sequence[Claim]:
        """What the trade commonly promises."""

    def screen(self, cohort: Cohort) -> Screening:
        """Say per site whether it fits, needs a survey first, or does not fit, and why."""

    def change(self, cohort: Cohort, plant: Plant, assume: Assumed) -> Change:
        """Return the plant with the retrofit and what it takes. ``cohort`` holds only sites that may have it."""

    def safety(self, cohort: Cohort) -> Notes:
        """Return what can hurt someone, per site; never empty for work on site."""

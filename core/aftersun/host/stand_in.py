"""What speaks for a retrofit that failed in a run: it fits nowhere, but its safety notes still count."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from aftersun.host.registry import Registry
from aftersun.model.change import About, Change, Notes, Retrofit, Screening
from aftersun.model.cohort import Cohort
from aftersun.model.plant import Plant
from aftersun.model.ranges import Assumed, Claim, Fact, Range


class StandIn:
    """A retrofit without facts, assumptions and claims, so that all others are valued as if it were not there.

    With ``notes`` the failed retrofit itself is still asked for its safety notes; without, this one fails at once.
    """

    def __init__(self, failed: Retrofit, notes: bool) -> None:
        self._failed, self._notes = failed, notes
        self.about: About = failed.about
        self.assumptions: Mapping[str, Range] = {}
        self.facts: Mapping[str, Fact] = {}
        self.claims: Sequence[Claim] = ()

    def screen(self, cohort: Cohort) -> Screening:
        """Fit nowhere."""
        if not self._notes:
            raise RuntimeError("failed before")
        return Screening.of(cohort).reject(np.ones(len(cohort), dtype=bool), "failed before")

    def safety(self, cohort: Cohort) -> Notes:
        """Return the notes of the failed retrofit."""
        if not self._notes:
            raise RuntimeError("failed before")
        return self._failed.safety(cohort)

    def change(self, cohort: Cohort, plant: Plant, assume: Assumed) -> Change:  # noqa: ARG002
        """Never be asked: it fits nowhere."""
        raise RuntimeError("failed before")


def with_stand_ins(registry: Registry, failed: Mapping[str, bool]) -> Registry:
    """Return the registry with stand-ins for failed retrofits: by id, whether they are still asked for their notes."""
    retrofits = [
        replace(loaded, retrofit=StandIn(loaded.retrofit, failed[loaded.id])) if loaded.id in failed else loaded
        for loaded in registry.retrofits
    ]
    return replace(registry, retrofits=tuple(retrofits))

"""The year of a plant that differs a little from one that was simulated, without simulating it again.

A change of a share of output, of the draw of a device or of the cells' temperature moves the year nearly in proportion,
so one simulation with a small step in each serves all trials of a cohort. What differs otherwise is simulated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np

from aftersun.energy.generation import ARRAY_LOSSES, constant_share
from aftersun.model.plant import Plant
from aftersun.model.ranges import Bools, Floats
from aftersun.model.records import Kept, take
from aftersun.scoring.value.simulations import GAINS, Baseline, Rows, Simulated, Simulations, alike

_DC_STEP = 0.02  # share of DC output
_AC_STEP = -0.01  # share of AC output: rather more stops than fewer, which would pass 1
_STANDBY_STEP_KWH = 50.0
_TEMPERATURE_STEP_K = 2.0

_IN_PROPORTION = frozenset(
    {*ARRAY_LOSSES, "transmittance", "ageing", "strings_working", "availability", "standby_kwh", "extra_temp_k"}
)
_PARTS_KEPT = 3  # a retrofit has few variants
_SIMULATED_KEPT = 8
_BILL_PARTS = (
    "import_cost", "export_income", "generation_income", "import_cost_after", "export_income_after", "water_fuel_cost",
)  # fmt: skip

_STEPS: Mapping[str, Callable[[Plant], Plant]] = {
    "dc": lambda plant: plant.replace(calibration=plant.calibration * (1.0 + _DC_STEP)),
    "ac": lambda plant: plant.replace(availability=plant.availability * (1.0 + _AC_STEP)),
    "standby": lambda plant: plant.replace(standby_kwh=plant.standby_kwh + _STANDBY_STEP_KWH),
    "temperature": lambda plant: plant.replace(extra_temp_k=plant.extra_temp_k + _TEMPERATURE_STEP_K),
}

Slope = Mapping[str, Floats]  # what a step does to the year, by name of its kWh or part of the bill, (S,)


class Slopes:
    """What one step of each kind does to the baseline's year; simulated where somebody asks for it, and kept."""

    def __init__(self, baseline: Baseline) -> None:
        self._baseline = baseline
        size = len(baseline.cohort)
        self._known = {kind: np.zeros(size, dtype=bool) for kind in _STEPS}
        self._slopes = {kind: {name: np.zeros(size) for name in (*GAINS, *_BILL_PARTS)} for kind in _STEPS}

    def at(self, kind: str, rows: Rows) -> Slope:
        """Return a slope at the sites at these positions, in their order."""
        missing = rows[~self._known[kind][rows]]
        if len(missing):
            here = self._baseline.take(missing)
            year = Simulations(here).anew(_STEPS[kind](here.plant), by_month=False)
            before, after = _columns(Simulated(here.plant, here.yearly_kwh, here.bill)), _columns(year)
            for name, values in self._slopes[kind].items():
                values[missing] = after[name] - before[name]
            self._known[kind][missing] = True
        return {name: values[rows] for name, values in self._slopes[kind].items()}


class NearbySimulations(Simulations):
    """As :class:`Simulations`, but sites whose plant is close to one that was simulated are reckoned from that one.

    Which sites those are is decided for each by itself, so that no site's result depends on the others.
    """

    def __init__(self, exact: Simulations, slopes: Slopes, rows: Rows) -> None:
        super().__init__(exact.baseline)
        self._slopes, self._rows = slopes, rows  # where these sites stand in the slopes' cohort
        self.known = exact.known
        self._reckoned = Kept()
        # some sites, the same for the same positions: they remember what their roofs generate
        self._few = lru_cache(_PARTS_KEPT)(lambda rows: Simulations(self.baseline.take(np.frombuffer(rows, np.intp))))
        self._simulated: list[tuple[Bools, Simulated]] = []  # the last ones, right at these sites alone

    def take(self, rows: Rows) -> NearbySimulations:
        """Return the same of the sites at these positions."""
        part = NearbySimulations(Simulations(self.baseline.take(rows)), self._slopes, self._rows[rows])
        arrays = self.baseline.cohort.array_rows(rows)
        part.known = [
            Simulated(base.plant.take(rows, arrays), *take(rows, (base.yearly_kwh, base.bill))) for base in self.known
        ]
        return part

    def _with_room(self, baseline: Baseline) -> NearbySimulations:
        return NearbySimulations(Simulations(baseline), self._slopes, self._rows)

    def of(self, plant: Plant) -> Simulated:
        """Return the year of this plant, exactly or nearly."""
        return self._reckoned.once(plant.digest(), lambda: self._near_or_new(plant))

    def _near_or_new(self, plant: Plant) -> Simulated:
        cohort = self.baseline.cohort
        result = {name: np.zeros(len(cohort)) for name in (*GAINS, *_BILL_PARTS)}
        left = np.ones(len(cohort), dtype=bool)

        def fill(hit: Bools, year: Mapping[str, Floats]) -> None:
            for name, values in result.items():
                values[hit] = year[name][hit]
            left[hit] = False

        for exactly in (True, False):
            for base in (*self.known[1:], self.known[0]):
                hit = left & alike(cohort, plant, base.plant, () if exactly else _IN_PROPORTION)
                if hit.any():
                    fill(hit, _columns(base) if exactly else self._moved(base, plant, hit))
        for where, before in self._simulated:
            if left.any():
                fill(left & where & alike(cohort, plant, before.plant), _columns(before))
        if left.any():
            rows, new = np.flatnonzero(left), left.copy()
            year = self._few(rows.tobytes()).anew(plant.take(rows, cohort.array_rows(rows)), by_month=False)
            for name, values in _columns(year).items():
                result[name][rows] = values
            self._simulated = [*self._simulated[1 - _SIMULATED_KEPT :], (new, self._as_simulated(plant, result))]
        return self._as_simulated(plant, result)

    def _as_simulated(self, plant: Plant, result: Mapping[str, Floats]) -> Simulated:
        amounts: dict[str, Any] = {name: result[name] for name in _BILL_PARTS}
        bill = replace(self.known[0].bill, **amounts)
        return Simulated(plant, {name: result[name] for name in GAINS}, bill)

    def _moved(self, base: Simulated, plant: Plant, where: Bools) -> Mapping[str, Floats]:
        """Return the year of the plant from that of the base; right at the sites ``where`` alone."""
        cohort = self.baseline.cohort
        rating = cohort.sum_by_site(plant.dc_rating_kw)
        before, after = (
            cohort.sum_by_site(constant_share(either) * either.dc_rating_kw) for either in (base.plant, plant)
        )
        warmer = cohort.sum_by_site((plant.extra_temp_k - base.plant.extra_temp_k) * plant.dc_rating_kw)
        warmer = warmer / np.maximum(rating, 1e-9)
        steps = {
            "dc": (after / np.maximum(before, 1e-9) - 1.0) / _DC_STEP,
            "ac": (plant.availability / np.maximum(base.plant.availability, 1e-9) - 1.0) / _AC_STEP,
            "standby": (plant.standby_kwh - base.plant.standby_kwh) / _STANDBY_STEP_KWH,
            "temperature": warmer / _TEMPERATURE_STEP_K,
        }
        year = {name: values.copy() for name, values in _columns(base).items()}
        for kind, size in steps.items():
            rows = np.flatnonzero(where & (size != 0))
            if len(rows):
                for name, slope in self._slopes.at(kind, self._rows[rows]).items():
                    year[name][rows] += slope * size[rows]
        return year


def _columns(year: Simulated) -> dict[str, Floats]:
    return {name: year.yearly_kwh[name] for name in GAINS} | {name: getattr(year.bill, name) for name in _BILL_PARTS}

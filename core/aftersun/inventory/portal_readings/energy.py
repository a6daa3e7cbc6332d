"""Makes rows of the table of readings of values: energy of power, devices added up, units held against the systems."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from aftersun.inventory.portal_readings import moments
from aftersun.inventory.portal_readings.settings import COUNTER, ENERGY, IMPORT, POWER, UNITS, Undecided
from aftersun.model import tables

_LEAST_ROWS = 10  # of a series before it is judged whether it only ever grows (own choice)
_LEAST_DIFFERENT = 5
_FALLS = 0.1  # of the steps of a counter that go down: it is none then (assumption)
_HOURS_A_YEAR = 8760
_FITS = 20.0  # times too much or too little that is still taken for the system's own, as in column_checks.csv


@dataclass(frozen=True, eq=False)
class Expected:
    """What is known of sites that their readings can be held against, by site_id: kW and kWh/a, NaN if unknown."""

    dc_kw: pd.Series
    demand_kwh: pd.Series

    def kwh(self, frame: pd.DataFrame) -> npt.NDArray[np.float64]:
        """Return about what the meter of each row should show."""
        hours = (frame["ends_at"] - frame["starts_at"]).dt.total_seconds().to_numpy() / 3600
        output = frame["site_id"].map(self.dc_kw).to_numpy(dtype=np.float64) * _limit("mean_output")
        demand = frame["site_id"].map(self.demand_kwh).to_numpy(dtype=np.float64) / _HOURS_A_YEAR
        return np.where((frame["meter"] == IMPORT).to_numpy(), demand, output) * hours


def _limit(name: str) -> float:
    return tables.mode("readings_limits.csv", name)


def judged(frame: pd.DataFrame) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Return values with what is a counter and what is not as their course shows, and what was decided.

    Raises
    ------
    Undecided
        If what is said to be energy or power never falls, or grows all day: it may be a counter, or one of the day.
    """
    notes = []
    ordered = frame.sort_values(["site_id", "meter", "device", "at"], kind="stable")
    for quantity, part in ordered.groupby("quantity"):
        series = part.groupby(["site_id", "meter", "device"], sort=False)["value"]
        falls, steps = (series.diff() < 0).sum(), series.diff().notna().sum()
        if quantity == COUNTER:
            if steps >= _LEAST_ROWS and falls > _FALLS * steps:
                frame = frame.assign(quantity=frame["quantity"].replace(COUNTER, ENERGY))
                notes.append(("no_counter", ""))
            continue
        grows = series.agg(lambda values: _only_grows(values.to_numpy()))
        if grows.any():
            raise Undecided("quantity", position=int(part["position"].iloc[0]))
        if (part["kind"] == moments.MOMENT).all() and _grows_all_day(part):
            raise Undecided("running_total")
    return frame, notes


def _only_grows(values: npt.NDArray[np.float64]) -> bool:
    return bool(
        len(values) >= _LEAST_ROWS and len(np.unique(values)) >= _LEAST_DIFFERENT and (np.diff(values) >= 0).all()
    )


def _grows_all_day(part: pd.DataFrame) -> bool:
    """Tell whether every day with much to see grows from its first value to its last."""
    day = part["at"].dt.normalize()
    days = part.groupby(["site_id", "meter", "device", day], sort=False)["value"]
    telling = days.nunique() >= _LEAST_DIFFERENT
    if telling.sum() < 2:
        return False
    low, last, high = days.agg(lambda values: np.diff(values.to_numpy()).min(initial=0.0)), days.last(), days.max()
    return bool(((low >= 0) & (last >= 0.999 * high))[telling].all())


def as_energy(frame: pd.DataFrame) -> pd.DataFrame:
    """Return intervals with power turned into the energy of its interval.

    Raises
    ------
    Undecided
        If power is said of days or months.
    """
    power = frame["quantity"] == POWER
    if not power.any():
        return frame
    if (frame.loc[power, "kind"] != moments.MOMENT).any():
        raise Undecided("power_of_days")
    hours = (frame["ends_at"] - frame["starts_at"]).dt.total_seconds() / 3600
    return frame.assign(
        value=frame["value"].mask(power, frame["value"] * hours), quantity=frame["quantity"].mask(power, ENERGY)
    )


def in_kwh(
    frame: pd.DataFrame, units: Mapping[int, str], expected: Expected, sure: bool
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Return values in kWh: a unit that nothing names is told by the size of the systems.

    A unit that is named and does not fit by about a thousand is doubted unless it is ``sure``.

    Raises
    ------
    Undecided
        If it cannot be told, or is doubted.
    """
    notes, value = [], frame["value"].copy()
    for position in map(int, frame["position"].unique()):
        part = frame[frame["position"] == position]
        ratio = _over_expected(part, expected)
        unit, power = units[position], bool(part["power"].any())
        if unit:
            if not sure and _limit("unit_ratio_min") <= ratio <= _limit("unit_ratio_max"):
                likely = {"kwh": "wh", "mwh": "kwh", "kw": "w", "mw": "kw"}.get(unit, "")
                raise Undecided("unit", position=position, named=unit, ratio=ratio, likely=likely)
            continue
        words = ("w", "kw", "mw") if power else ("wh", "kwh", "mwh")
        fitting = [word for word in words if 1 / _FITS <= ratio * UNITS[word] <= _FITS]
        if len(fitting) != 1:
            raise Undecided("unit", position=position, named="", ratio=ratio, likely="")
        value.loc[part.index] = part["value"] * UNITS[fitting[0]]
        notes.append(("unit_by_size", fitting[0]))
    return frame.assign(value=value), notes


def _over_expected(part: pd.DataFrame, expected: Expected) -> float:
    """Return the middle of the sites' energy over what is expected of them, NaN if nothing is known of any."""
    counted = part["quantity"] == COUNTER
    if counted.all():
        spans = part.groupby(["site_id", "meter", "device"]).agg(
            value=("value", lambda values: values.max() - values.min()),
            starts_at=("starts_at", "min"),
            ends_at=("starts_at", "max"),
        )
        part = spans.reset_index()
    sums = part.assign(expected=expected.kwh(part)).groupby("site_id")[["value", "expected"]].sum(min_count=1)
    ratio = sums["value"] / sums["expected"].where(sums["expected"] > 0)
    return float(ratio.median()) if ratio.notna().any() else float("nan")


KEY = ["site_id", "meter", "quantity", "starts_at"]
"""What tells one reading of a site from another."""


def added_up(frame: pd.DataFrame) -> tuple[pd.DataFrame, dict[str, list[int]], int]:
    """Return one row for each site, meter and time, devices added up; the rows in doubt by cause; how many devices.

    A value that stands there twice counts once; two that differ count for nothing, and so does a time at which one of
    several devices is silent between its first and last value.
    """
    doubts: dict[str, list[int]] = {}
    single = [*KEY, "device"]
    frame = frame.drop_duplicates([*single, "value"])
    twice = frame.duplicated(single, keep=False)
    if twice.any():
        doubts["twice"] = sorted(set(map(int, frame.loc[twice, "row"])))
        frame = frame[~twice]
    count = frame.groupby(["site_id", "meter", "quantity"], dropna=False)["device"].transform("nunique")
    devices = int(count.max()) if len(count) else 1
    if devices > 1:
        several = frame[count > 1]
        spans = several.groupby(["site_id", "meter", "quantity", "device"])["starts_at"].agg(["min", "max"])
        spans = spans.reset_index()
        times = several[KEY].drop_duplicates().merge(spans, on=["site_id", "meter", "quantity"])
        awake = times[(times["starts_at"] >= times["min"]) & (times["starts_at"] <= times["max"])]
        wanted = awake.groupby(KEY).size().rename("wanted")
        there = several.groupby(KEY)["device"].nunique().rename("there")
        short = pd.concat([wanted, there], axis=1).query("there < wanted").index
        silent = pd.MultiIndex.from_frame(frame[KEY]).isin(short)
        if silent.any():
            doubts["device_silent"] = sorted(set(map(int, frame.loc[silent, "row"])))
            frame = frame[~silent]
    if not devices > 1:
        return frame, doubts, devices
    rest = dict.fromkeys([name for name in ("ends_at", "row", "position", "line") if name in frame], "first")
    summed = frame.groupby(KEY, sort=False, as_index=False).agg({"value": "sum", **rest})
    return summed, doubts, devices


def as_table(frame: pd.DataFrame) -> pd.DataFrame:
    """Return values as texts under the names of the table of readings, indexed by the line of the file."""
    counter = frame["quantity"] == COUNTER
    text = frame["value"].map(lambda value: f"{value:.12g}").astype("string")
    return pd.DataFrame(
        {
            "site_id": frame["site_id"].astype("string"),
            "meter": frame["meter"].astype("string"),
            "starts_at": frame["starts_at"].dt.strftime("%Y-%m-%d %H:%M").astype("string"),
            "ends_at": frame["ends_at"].dt.strftime("%Y-%m-%d %H:%M").astype("string"),
            "kwh": text.mask(counter),
            "register_kwh": text.where(counter),
        }
    ).set_axis(frame["line"].to_numpy())

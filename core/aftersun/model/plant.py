"""The physical state of every system of a cohort: the baseline plant as it stands, another one with a retrofit."""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from aftersun.model.ranges import Floats

Texts = npt.NDArray[np.object_]

ANY_HOUR, BOILER_HOURS, NIGHT_HOURS = "any_hour", "boiler_hours", "night_hours"
EVENING_HOUR, ONE_BOOST, TWO_BOOSTS = "evening_hour", "one_boost", "two_boosts"
HEATING_HOURS = (ANY_HOUR, BOILER_HOURS, NIGHT_HOURS, EVENING_HOUR, ONE_BOOST, TWO_BOOSTS)
"""When a water heater may heat: at any hour, or in those that a table of ``hot_water.csv`` names."""


@dataclass(frozen=True, eq=False)
class Plant:
    """Columns of shape (A,), one value an array, then columns of shape (S,), one value a site. Read-only.

    Losses are shares of output, 0..1, positive = energy lost, and combine by multiplication:
    ``dc = rating term x soiling ratio x transmittance x strings_working x ageing x product(1 - loss)
    x calibration``.
    """

    # --- per array (A,)
    tilt_deg: Floats  # from the horizontal
    tilt_positions: Floats  # 1 = tilt_deg all year; 2 = summer and winter tilt; 4 = tilt_deg in spring and autumn too
    summer_tilt_deg: Floats  # stands 30 March to 10 September with 2 positions, 18 April to 22 August with 4
    winter_tilt_deg: Floats  # stands the rest of the year with 2 positions, 5 October to 5 March with 4
    azimuth_deg: Floats  # clockwise from north
    ground_cover_ratio: Floats  # slant height / row pitch of parallel rows; 0 = one row, nothing shades it
    turn_limit_deg: Floats  # 0 = the plane stands still; else it follows the sun about an axis, so far either way
    axis_tilt_deg: Floats  # of that axis from level; tilt, positions and azimuth of the plane then count for nothing
    axis_azimuth_deg: Floats  # direction the axis falls to, clockwise from north; 180 = rows from north to south
    backtracks: Floats  # 1 = it turns back while rows at ground_cover_ratio would shade each other, 0 = not
    dc_rating_kw: Floats  # at standard test conditions
    mounting: Texts  # a choice of the dictionary's array.mounting
    temp_coefficient_per_k: Floats  # of power, negative
    extra_temp_k: Floats  # K above the mounting's cell temperature at 1000 W/m2, in proportion to irradiance
    soiling_rate_per_day: Floats  # share of output lost per dry day
    rain_threshold_mm: Floats  # rain in 24 h above which the modules are clean again
    washes_per_year: Floats  # evenly spread over the year, besides what rain does
    transmittance: Floats  # 1 = glass as delivered
    droppings_loss: Floats  # bird droppings, beyond even soiling
    shading_loss: Floats  # by trees and buildings, of the year's output; they hide the low sun first
    mismatch_loss: Floats  # between unequal modules
    wiring_loss: Floats  # in DC cables, of the year's output; it grows with the current
    connection_loss: Floats  # in plug connectors, likewise
    light_induced_loss: Floats  # first days of light, once
    nameplate_loss: Floats  # of modules weaker than their label
    excess_loss: Floats  # degradation beyond normal ageing, in full sun (1000 W/m2)
    shunt_share: Floats  # part of it, 0..1, that is a fallen shunt resistance: little in full sun, much in low light
    ageing: Floats  # share left after normal ageing since commissioning, 1 = new
    strings_working: Floats  # share of the array's strings that deliver
    # --- per site (S,)
    inverter_rating_kw: Floats  # AC, all inverters together
    inverter_efficiency: Floats  # nominal, 0..1
    availability: Floats  # share of the hours, and of the year's output, that is not lost to stops
    ageing_per_year: Floats  # normal ageing, share of output a year
    calibration: Floats  # factor on DC output that meter readings call for, 1 = none
    export_limit_kw: Floats  # inf = none, 0 = no export
    demand_kwh: Floats  # electricity a year without water heating
    base_load_kw: Floats  # the part of the household's load that runs in all hours
    load_evenness: Floats  # shape of the gamma distribution of the other load within an hour: larger = smoother
    standby_kwh: Floats  # electricity a year of devices added by retrofits
    battery_kwh: Floats  # usable; 0 = none
    battery_kw: Floats  # greatest charging and discharging power
    diverter_kw: Floats  # heating element fed from surplus; 0 = none
    store_litres: Floats  # hot-water store; 0 = none or unknown
    store_loss_w_per_k: Floats  # heat lost per degree above the room
    store_set_c: Floats  # what the present heater keeps
    store_max_c: Floats  # thermostat of the element
    draw_litres_per_day: Floats  # hot water at the year's mean
    water_heat: Texts  # a choice of the dictionary's site.water_heat
    water_efficiency: Floats  # heat out per energy in of the present heater
    heater_kw: Floats  # greatest power that goes into the present heater
    heating_hours: Texts  # when it may heat: one of HEATING_HOURS
    waiting_kwh_per_day: Floats  # electricity of a load that can wait, such as a car that is charged; 0 = none
    waiting_kw: Floats  # its greatest power
    waiting_least_kw: Floats  # surplus below which it does not start
    waiting_from_hour: Floats  # hour of standard time it comes at, 0 to 24
    waiting_until_hour: Floats  # hour it has to be done by, of that day or the next; as from_hour = a whole day
    waiting_at_weekends: Floats  # 1 = at any hour of Saturdays and Sundays too
    waiting_for_surplus: Floats  # 1 = it waits for surplus and buys the rest at the end; 0 = it runs as soon as it may

    def __post_init__(self) -> None:
        for column in fields(self):
            getattr(self, column.name).flags.writeable = False

    def digest(self, names: Collection[str] = ()) -> bytes:
        """Return what tells plants of different content apart, however they came about; of some columns or of all."""
        digest = hashlib.blake2b(digest_size=16)
        for name in names or _NAMES:
            values = getattr(self, name)
            digest.update(repr(values.tolist()).encode() if values.dtype == object else values.tobytes())
        return digest.digest()

    def replace(self, **columns: Any) -> Plant:
        """Return a new plant with these columns exchanged."""
        return replace(self, **columns)

    def take(self, rows: npt.NDArray[np.intp] | slice, array_rows: npt.NDArray[np.intp] | slice) -> Plant:
        """Return the plant of these sites; ``array_rows`` from :meth:`Cohort.array_rows`."""
        return Plant(*(getattr(self, name)[array_rows if name in PER_ARRAY else rows] for name in _NAMES))


_NAMES = tuple(column.name for column in fields(Plant))
_FIRST_PER_SITE = _NAMES.index("inverter_rating_kw")
PER_ARRAY, PER_SITE = _NAMES[:_FIRST_PER_SITE], _NAMES[_FIRST_PER_SITE:]  # names of the columns, in order

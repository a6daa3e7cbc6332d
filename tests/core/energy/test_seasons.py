"""Frames that are adjusted within the year."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from tests_support import make_cohort, make_weather

from aftersun.energy.baseline import baseline
from aftersun.energy.planes import BETWEEN, SUMMER, WINTER, lit_hours, plant_hours, positions_by_hour

SITE = {"latitude": 40.0, "longitude": 0.0}
PLANE = {"site": 0, "tilt_deg": 30.0, "azimuth_deg": 180.0, "dc_rating_kw": 4.0, "mounting": "ground frame"}


@pytest.mark.parametrize(
    ("positions", "begins"),
    # Landau, "Optimum Tilt of Solar Panels": dates of adjustment in the northern hemisphere
    [
        (2, {date(2023, 3, 30): SUMMER, date(2023, 9, 10): WINTER}),
        (
            4,
            {
                date(2023, 3, 5): BETWEEN,
                date(2023, 4, 18): SUMMER,
                date(2023, 8, 22): BETWEEN,
                date(2023, 10, 5): WINTER,
            },
        ),
    ],
)
def test_positions_change_on_the_published_days(positions: int, begins: dict[date, int]) -> None:
    weather = make_weather()
    by_day = positions_by_hour(weather, positions).reshape(365, 24)[:, 12]
    changed = np.flatnonzero(by_day != np.roll(by_day, 1)) + 1
    assert changed.tolist() == [day.timetuple().tm_yday for day in begins]
    assert [by_day[day - 1] for day in changed] == list(begins.values())


def test_the_south_is_half_a_year_off() -> None:
    weather = make_weather()
    south = replace(weather, station=replace(weather.station, latitude=-40.0))
    north_position, south_position = positions_by_hour(weather, 2), positions_by_hour(south, 2)
    apart = north_position != south_position
    assert south_position[24 * 5] == SUMMER  # January
    assert 0.85 < apart.mean() < 1.0  # the two halves are not of equal length


def test_each_hour_is_that_of_the_plane_that_stands_then() -> None:
    cohort = make_cohort(make_weather(), [SITE], [PLANE])
    plant = baseline(cohort)

    def light(**columns: float) -> np.ndarray:
        changed = {name: np.array([value]) for name, value in columns.items()}
        return plant_hours(cohort, plant.replace(**changed)).poa[0]

    both = light(tilt_positions=4.0, tilt_deg=34.0, summer_tilt_deg=15.0, winter_tilt_deg=55.0)
    stands = positions_by_hour(cohort.weather, 4)[lit_hours(cohort.weather)]
    for season, tilt in ((SUMMER, 15.0), (WINTER, 55.0), (BETWEEN, 34.0)):
        np.testing.assert_array_equal(both[stands == season], light(tilt_deg=tilt)[stands == season])


def test_what_is_not_adjusted_has_one_tilt() -> None:
    cohort = make_cohort(make_weather(), [SITE], [PLANE])
    plant = baseline(cohort)
    other = plant.replace(summer_tilt_deg=np.array([0.0]), winter_tilt_deg=np.array([90.0]))
    np.testing.assert_array_equal(plant_hours(cohort, other).poa, plant_hours(cohort, plant).poa)

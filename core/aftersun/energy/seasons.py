"""Which of an adjustable frame's positions stands in which hour of the year.

References
----------
.. [1] C. R. Landau, "Optimum Tilt of Solar Panels": the days on which two or four positions are best changed.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from aftersun.model.weather import WeatherYear

Positions = npt.NDArray[np.int8]

BETWEEN, SUMMER, WINTER = 0, 1, 2

# Days of the year (1 = 1 January) on which a position begins in the north [1]_; half a year later in the south.
_CALENDARS = {
    2: ((89, SUMMER), (253, WINTER)),  # 30 March, 10 September
    4: ((64, BETWEEN), (108, SUMMER), (234, BETWEEN), (278, WINTER)),  # 5 March, 18 April, 22 August, 5 October
}
_HALF_A_YEAR = 183
_DAYS = 365


def positions_by_hour(weather: WeatherYear, positions: int) -> Positions:
    """Return BETWEEN, SUMMER or WINTER for each hour of the weather year, shape (H,), for 2 or 4 positions a year.

    The calendar is that of the hemisphere of the weather's place.
    """
    first_day, position = zip(*_CALENDARS[positions], strict=True)
    day = weather.times.day_of_year.to_numpy()
    if weather.station.latitude < 0:
        day = (day - 1 + _HALF_A_YEAR) % _DAYS + 1
    begun = np.searchsorted(first_day, day, side="right") - 1  # -1 = before the first day: the last one still stands
    return np.asarray(position, dtype=np.int8)[begun]

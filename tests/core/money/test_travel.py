"""Distance, time and cost of a trip."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.testing import assert_allclose

from aftersun.money.company import Company
from aftersun.money.prices import trip


def test_trip_by_hand(company: Company) -> None:
    # One degree of latitude: 111.1951 km x 1.25 = 138.994 km by road, 277.988 km there and back: 5.5598
    # h at 50 km/h, 277.988 x 0.5 = 138.99 for the van and 5.5598 x 2 x 20 = 222.39 for two helpers.
    # Farther than 100 km.
    way = trip(pd.DataFrame({"latitude": [1.0, 0.0], "longitude": [0.0, 0.0]}), company)
    assert_allclose(way.distance_km, [138.994, 0.0], atol=1e-3)
    assert_allclose(way.hours, [5.5598, 0.0], atol=1e-4)
    assert_allclose(way.cost, [361.38, 0.0], atol=0.01)
    assert np.array_equal(way.within_reach, [False, True])

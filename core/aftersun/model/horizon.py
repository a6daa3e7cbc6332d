"""The skyline around a site: how high hills and buildings stand in each direction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Horizon:
    """Points of a skyline: ``azimuth_deg`` clockwise from north, rising, and ``height_deg`` above the horizontal.

    Between two points the height runs straight, the last and the first point included. Directions are 0 to below 360
    degrees and heights 0 to 90, as the column dictionary has them checked when they are loaded. Hashable, so that what
    depends on it can be kept by it.
    """

    azimuth_deg: tuple[float, ...]
    height_deg: tuple[float, ...]

    @classmethod
    def of(cls, azimuth_deg: Sequence[float], height_deg: Sequence[float]) -> Horizon:
        """Build from points in any order; 360 degrees is north again. Of equal directions the highest counts."""
        highest: dict[float, float] = {}
        for azimuth, height in zip(azimuth_deg, height_deg, strict=True):
            direction = float(azimuth) % 360.0
            highest[direction] = max(highest.get(direction, 0.0), float(height))
        points = sorted(highest.items())
        return cls(tuple(azimuth for azimuth, _ in points), tuple(height for _, height in points))

"""The skyline around a site: how high hills and buildings stand in each direction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Horizon:
    """Points of a skyline: ``azimuth_deg`` clockwise from north, rising, and ``height_deg`` above the horizontal.

    Between two points the height runs straight, the last and the first point included. Hashable, so that what
    depends on it can be kept by it.
    """

    azimuth_deg: tuple[float, ...]
    height_deg: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.azimuth_deg or len(self.azimuth_deg) != len(self.height_deg):
            raise ValueError("a horizon needs points, each with an azimuth and a height")
        if any(later <= earlier for earlier, later in zip(self.azimuth_deg, self.azimuth_deg[1:], strict=False)):
            raise ValueError("the azimuths of a horizon have to rise")
        if self.azimuth_deg[0] < 0 or self.azimuth_deg[-1] >= 360:
            raise ValueError("the azimuths of a horizon have to lie within 0 to below 360 degrees")
        if not all(0 <= height <= 90 for height in self.height_deg):
            raise ValueError("the heights of a horizon have to lie within 0 to 90 degrees")

    @classmethod
    def of(cls, azimuth_deg: Sequence[float], height_deg: Sequence[float]) -> Horizon:
        """Build from points in any order; 360 degrees is north again. Of equal directions the highest counts."""
        highest: dict[float, float] = {}
        for azimuth, height in zip(azimuth_deg, height_deg, strict=True):
            direction = float(azimuth) % 360.0
            highest[direction] = max(highest.get(direction, 0.0), float(height))
        points = sorted(highest.items())
        return cls(tuple(azimuth for azimuth, _ in points), tuple(height for _, height in points))

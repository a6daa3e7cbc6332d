"""What is taken out of frames that leave the house without names: stable pseudonyms for numbers, rough places.

Pseudonyms are no anonymity: whoever knows when a system of that size was built nearby may still tell whose it is.
"""

from __future__ import annotations

import pandas as pd

from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.pseudonyms import pseudonyms

_KINDS = {"site_id": "site", "customer_id": "customer", "array_id": "array", "tariff_id": "tariff"}
# Whatever would tell a place: to a tenth of a degree (11 km), with distances and heights no finer than that allows.
_ROUNDED = {
    "latitude": 0.1, "longitude": 0.1, "elevation_m": 50.0, "distance_km": 10.0, "height_difference_m": 50.0,
    # ... and by which a register of systems would find one
    "dc_rating_kw": 0.1, "inverter_rating_kw": 0.1, "export_limit_kw": 0.1,
}  # fmt: skip
# told as the first of January
_TO_THE_YEAR = (
    "commissioned_on", "connectors_renewed_on", "warranty_until", "export_rule_until", "generation_price_until",
)  # fmt: skip
_LEFT_OUT = {
    "trip_km", "trip_hours",  # they tell the distance from the company's base
    "replaced_by", "replaced_why",  # free text, and often a name
}  # fmt: skip


class Anonymiser:
    """Replaces numbers by pseudonyms and makes places rough, in any frame of one inventory."""

    def __init__(self, inventory: Inventory) -> None:
        self._inventory = inventory
        self._names: dict[str, dict[str, str]] = {}
        self._originals: dict[str, str] | None = None

    def without_names(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the frame as it may be shown without names."""
        changed: dict[str, pd.Series] = {}
        for column in frame.columns:
            if column in _KINDS:
                changed[column] = self.pseudonyms_of(column, frame[column])
            elif column in _ROUNDED:
                step = _ROUNDED[column]
                changed[column] = ((frame[column] / step).round() * step).round(1)
            elif column in _TO_THE_YEAR:
                changed[column] = _first_of_year(frame[column])
            elif column in _LEFT_OUT:
                changed[column] = frame[column].mask(frame[column].notna())
        anonymous = frame.assign(**changed)
        # The order would tell the numbers: rows come sorted by them.
        by = [column for column in ("site_id", "array_id") if column in anonymous]
        return anonymous.sort_values(by, kind="stable", ignore_index=True) if by else anonymous

    def pseudonyms_of(self, column: str, ids: pd.Series) -> pd.Series:
        """Return the pseudonyms of the numbers in a column such as site_id."""
        known = self._names.setdefault(column, {})
        text = ids.astype("string")
        missing = pd.Series([one for one in text.dropna().unique() if one not in known], dtype="string")
        if len(missing):
            known.update(zip(missing, pseudonyms(self._inventory, _KINDS[column], missing), strict=True))
        return text.map(known).astype("string")

    def original(self, site: str, site_ids: pd.Series) -> str:
        """Return the number of the site that has this pseudonym, or "" if none of ``site_ids`` has."""
        if self._originals is None:
            self._originals = dict(zip(self.pseudonyms_of("site_id", site_ids), site_ids, strict=True))
        return self._originals.get(site, "")


def _first_of_year(days: pd.Series) -> pd.Series:
    when = pd.to_datetime(days)
    return (when.dt.normalize() - pd.to_timedelta(when.dt.day_of_year - 1, unit="D")).astype(days.dtype)

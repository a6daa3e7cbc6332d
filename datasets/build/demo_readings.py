"""Meter readings of some demo sites: invented monthly output, one counter, one system that gives too little.

All of it is invented. ``build_demo.py`` writes it into the file.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import date
from typing import Any

Row = dict[str, Any]

COLUMNS = ("site_id", "meter", "starts_at", "ends_at", "kwh", "register_kwh")
# Invented kWh for each kW facing about south, near what the borrowed climate gives, January to December.
MONTHLY_YIELD = (80, 84, 112, 122, 123, 126, 126, 122, 105, 99, 74, 78)
FIRST, MONTHS = (2024, 5), 24
READ_MONTHLY, READ_AS_COUNTER = 10, 2
WEAK_FACTOR = 0.66  # of the first one: what a survey should explain


def month_starts() -> list[date]:
    """Return the first days of the months read, and the one after."""
    year, month = FIRST
    return [date(year + (month - 1 + n) // 12, (month - 1 + n) % 12 + 1, 1) for n in range(MONTHS + 1)]


def reading_rows(rng: random.Random, sites: Sequence[Row], arrays: Sequence[Row]) -> list[Row]:
    """Draw readings for plain systems: facing about south, hardly shaded, exporting what they like."""
    mine: dict[str, list[Row]] = {}
    for row in arrays:
        mine.setdefault(row["site_id"], []).append(row)
    plain = [
        site["site_id"]
        for site in sites
        if site["export_rule"] not in ("", "no export")
        and site["export_limit_kw"] == ""
        and site["commissioned_on"]
        and site["commissioned_on"] < date(2022, 1, 1)
        and not site["open_string"]
        and not site["measured_excess_loss"]
        and site["surroundings"] not in ("desert", "roadside")
        and all(150 <= row["azimuth_deg"] <= 210 and row["shading_pct"] in (0, 2) for row in mine[site["site_id"]])
        and all(20 <= row["tilt_deg"] <= 40 for row in mine[site["site_id"]])
    ]
    starts = month_starts()
    weather = [rng.gauss(1, 0.09) for _ in range(MONTHS)]  # the same over the whole place
    rows: list[Row] = []
    for number, site_id in enumerate(sorted(rng.sample(plain, READ_MONTHLY + READ_AS_COUNTER))):
        kw = sum(row["dc_rating_kw"] for row in mine[site_id])
        factor = WEAK_FACTOR if number == 0 else rng.gauss(0.97, 0.04)
        kwh = [
            round(kw * factor * weather[n] * rng.gauss(1, 0.02) * MONTHLY_YIELD[start.month - 1], 1)
            for n, start in enumerate(starts[:-1])
        ]
        if number < READ_MONTHLY:
            pairs = zip(starts[:-1], starts[1:], kwh, strict=True)
            rows += [_row(site_id, starts_at=first, ends_at=after, kwh=energy) for first, after, energy in pairs]
        else:
            shown = rng.randrange(9_000, 30_000)
            counts = [round(shown + sum(kwh[:n]), 1) for n in range(0, MONTHS + 1, 6)]
            rows += [
                _row(site_id, starts_at=moment, register_kwh=count)
                for moment, count in zip(starts[::6], counts, strict=True)
            ]
    return rows


def _row(site_id: str, **cells: Any) -> Row:
    return dict.fromkeys(COLUMNS, "") | {"site_id": site_id, "meter": "production"} | cells

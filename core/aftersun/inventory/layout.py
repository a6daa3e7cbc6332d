"""Tables of the inventory that nobody loads: loads, rejects, weather years and stored runs, as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from aftersun.inventory.dictionary import quoted

DTYPES = {
    "VARCHAR": "string",
    "JSON": "string",
    "DOUBLE": "Float64",
    "INTEGER": "Int64",
    "BIGINT": "Int64",
    "BOOLEAN": "boolean",
    "DATE": "datetime64[us]",
    "TIMESTAMP": "datetime64[us]",
}


@dataclass(frozen=True)
class Layout:
    """One table: DuckDB type by column.

    ``key`` columns are unique together and, like ``required`` ones, never empty; ``order`` is how its rows
    are read back. Large tables have no key: an index on them would cost more than it guards.
    """

    columns: Mapping[str, str]
    order: tuple[str, ...]
    key: tuple[str, ...] = ()
    required: tuple[str, ...] = ()


_RUN_SITE_RETROFIT = {"run_id": "VARCHAR", "site_id": "VARCHAR", "retrofit": "VARCHAR"}

# What a run leaves behind: other tools may rely on these names and types.
RUN = Layout(
    columns={
        "run_id": "VARCHAR",
        "started_at": "TIMESTAMP",  # UTC
        "finished_at": "TIMESTAMP",  # UTC
        "program_version": "VARCHAR",
        "plugin_versions": "JSON",
        "input_hashes": "JSON",
        "settings": "JSON",
        "seed": "BIGINT",
        "as_of": "DATE",
        "sites": "BIGINT",
        "failures": "JSON",
    },
    order=("started_at", "run_id"),
    key=("run_id",),
    required=("started_at", "finished_at", "program_version", "as_of"),
)

RUN_TABLES: Mapping[str, Layout] = {
    "ranking": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "rank": "INTEGER",
            "retrofit": "VARCHAR",
            "npv": "DOUBLE",
            "npv_p10": "DOUBLE",
            "npv_p50": "DOUBLE",
            "npv_p90": "DOUBLE",
            "chance_npv_positive": "DOUBLE",
            "upfront": "DOUBLE",
            "first_year_saving": "DOUBLE",
            "simple_payback_years": "DOUBLE",
            "discounted_payback_years": "DOUBLE",
            "sir": "DOUBLE",
            "energy_gain_kwh": "DOUBLE",  # a year, as new
            "to_water_kwh": "DOUBLE",  # a year more to the hot-water store
            "water_heater_kwh": "DOUBLE",  # a year less for the present water heater, of its own fuel
            "status": "VARCHAR",
            "reason": "VARCHAR",
        },
        order=("site_id", "rank", "retrofit"),
        key=("run_id", "site_id", "retrofit"),
        required=("status",),
    ),
    "safety_note": Layout(
        columns={
            **_RUN_SITE_RETROFIT,
            "note_id": "VARCHAR",
            "severity": "VARCHAR",
            "text": "VARCHAR",
            "who": "VARCHAR",
            "tell_owner": "BOOLEAN",  # a danger known to stand on the site now: not for sale, to be told
        },
        order=("site_id", "retrofit", "rowid"),
        required=("run_id", "site_id", "retrofit", "note_id", "severity", "text"),
    ),
    "cost_item": Layout(
        columns={
            **_RUN_SITE_RETROFIT,
            "kind": "VARCHAR",
            "item": "VARCHAR",
            "quantity": "DOUBLE",
            "unit": "VARCHAR",
            "unit_cost": "DOUBLE",
            "cost": "DOUBLE",
            "price": "DOUBLE",
            "note": "VARCHAR",
        },
        order=("site_id", "retrofit", "rowid"),
        required=("run_id", "site_id", "retrofit", "kind", "item"),
    ),
    "cash_flow": Layout(
        columns={
            **_RUN_SITE_RETROFIT,
            "year": "INTEGER",
            "saving": "DOUBLE",
            "yearly_cost": "DOUBLE",
            "avoided": "DOUBLE",
            "upfront": "DOUBLE",
            "net": "DOUBLE",
            "discounted": "DOUBLE",
        },
        order=("site_id", "retrofit", "year"),
        required=("run_id", "site_id", "retrofit", "year"),
    ),
    "site_energy": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "station_id": "VARCHAR",
            "weather_basis": "VARCHAR",  # station, or normals = the built-in climate normals of the place
            "distance_km": "DOUBLE",  # to the station
            "height_difference_m": "DOUBLE",  # of the station
            "weather_sd_share": "DOUBLE",  # standard deviation of the year's in-plane irradiation, share of it
            "generated_kwh": "DOUBLE",
            "used_kwh": "DOUBLE",
            "to_water_kwh": "DOUBLE",
            "exported_kwh": "DOUBLE",
            "curtailed_kwh": "DOUBLE",
            "imported_kwh": "DOUBLE",
            "yield_kwh_per_kw": "DOUBLE",
            "remark": "VARCHAR",
        },
        order=("site_id",),
        key=("run_id", "site_id"),
    ),
    "call": Layout(
        columns={
            "run_id": "VARCHAR",
            "position": "INTEGER",
            "site_id": "VARCHAR",
            "customer_id": "VARCHAR",
            "retrofit": "VARCHAR",
            "npv": "DOUBLE",
            "sentence": "VARCHAR",
            "excluded_reason": "VARCHAR",
        },
        order=("position", "site_id"),
        key=("run_id", "site_id"),
        required=("customer_id",),
    ),
    "site_loss": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "position": "INTEGER",  # from the light on the modules down to what is generated
            "step": "VARCHAR",
            "kwh": "DOUBLE",  # taken away a year; negative = added
        },
        order=("site_id", "position"),
        required=("run_id", "site_id", "step"),
    ),
    # What the run's retrofits were, assumed and are claimed to do, so that a stored run explains itself.
    "site_evidence": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            **dict.fromkeys(
                (
                    "factor",  # what the meter says over what the model says, normal ageing apart
                    "factor_se",
                    "shortfall",  # share of output that is missing beyond the error of the comparison
                    "zero_day_share",
                    "low_light_ratio",
                    "trend_per_year",
                    "trend_low",
                    "trend_high",
                    "years_of_data",
                ),
                "DOUBLE",
            ),
            "periods": "BIGINT",
            "remark": "VARCHAR",
        },
        order=("site_id",),
        key=("run_id", "site_id"),
    ),
    "reading_finding": Layout(
        columns={
            "run_id": "VARCHAR",
            "site_id": "VARCHAR",
            "meter": "VARCHAR",
            "finding": "VARCHAR",
            "readings": "BIGINT",
            "text": "VARCHAR",
            "what_to_do": "VARCHAR",
        },
        order=("site_id", "meter", "finding"),
        required=("run_id", "site_id", "text"),
    ),
    "run_retrofit": Layout(
        columns={
            "run_id": "VARCHAR",
            "retrofit": "VARCHAR",
            "title": "VARCHAR",
            "summary": "VARCHAR",
            "version": "VARCHAR",
            "origin": "VARCHAR",
            "life_years": "DOUBLE",
            "sources": "VARCHAR",
        },
        order=("retrofit",),
        key=("run_id", "retrofit"),
    ),
    "run_assumption": Layout(
        columns={
            "run_id": "VARCHAR",
            "retrofit": "VARCHAR",
            "name": "VARCHAR",
            "used": "DOUBLE",
            "low": "DOUBLE",
            "mode": "DOUBLE",
            "high": "DOUBLE",
            "unit": "VARCHAR",
            "source": "VARCHAR",
            "meaning": "VARCHAR",
            "overridden": "VARCHAR",  # who set another value and why; empty = nobody
        },
        order=("retrofit", "name"),
        key=("run_id", "retrofit", "name"),
    ),
    "run_claim": Layout(
        columns={"run_id": "VARCHAR", "retrofit": "VARCHAR", "text": "VARCHAR", "source": "VARCHAR"},
        order=("retrofit", "rowid"),
        required=("run_id", "retrofit", "text"),
    ),
}

LOAD = Layout(
    columns={
        "load_id": "BIGINT",
        "loaded_at": "TIMESTAMP",  # UTC
        "program_version": "VARCHAR",
        "source_file": "VARCHAR",
        "table_name": "VARCHAR",
        "sha256": "VARCHAR",
        "rows_read": "BIGINT",
        "added": "BIGINT",
        "changed": "BIGINT",
        "unchanged": "BIGINT",
        "rejected": "BIGINT",
        "mended": "BIGINT",
    },
    order=("load_id",),
    key=("load_id",),
)

# One row a problem. A bad row has one reject_id, whatever its problems; the id is made from the table and the
# row's text, so that the same bad row is always the same reject.
REJECT = Layout(
    columns={
        "reject_id": "VARCHAR",
        "problem": "INTEGER",
        "load_id": "BIGINT",
        "source_file": "VARCHAR",
        "table_name": "VARCHAR",
        "line": "BIGINT",
        "column_name": "VARCHAR",
        "value": "VARCHAR",
        "reason": "VARCHAR",
        "what_to_do": "VARCHAR",
        "raw": "JSON",
        "row_key": "VARCHAR",  # JSON list of the key's values as read, empty if the row has no usable key
        "state": "VARCHAR",
        "closed_by": "BIGINT",  # the load that mended or replaced it
    },
    order=("table_name", "source_file", "line", "reject_id", "problem"),
    key=("reject_id", "problem"),
    required=("load_id", "source_file", "table_name", "line", "reason", "what_to_do", "raw", "state"),
)

WEATHER_STATION = Layout(
    columns={
        "station_id": "VARCHAR",
        "name": "VARCHAR",
        "latitude": "DOUBLE",
        "longitude": "DOUBLE",
        "elevation_m": "DOUBLE",
        "utc_offset_h": "DOUBLE",
        "source": "VARCHAR",
        "sha256": "VARCHAR",
        "rain_basis": "VARCHAR",
    },
    order=("station_id",),
    key=("station_id",),
    required=("latitude", "longitude", "elevation_m", "utc_offset_h", "sha256"),
)

WEATHER_HOUR = Layout(
    columns={
        "station_id": "VARCHAR",
        "hour": "INTEGER",  # 0..8759 from the first hour of January, station standard time
        "ghi": "DOUBLE",  # W/m2, as dni and dhi
        "dni": "DOUBLE",
        "dhi": "DOUBLE",
        "temp_air": "DOUBLE",  # degrees C
        "wind_speed": "DOUBLE",  # m/s at 10 m
        "rain_mm": "DOUBLE",  # mm in the hour, empty = unknown
        "albedo": "DOUBLE",  # 0..1
    },
    order=("station_id", "hour"),
    key=("station_id", "hour"),
    required=("ghi", "dni", "dhi", "temp_air", "wind_speed", "albedo"),
)

TABLES: Mapping[str, Layout] = {
    "load": LOAD,
    "reject": REJECT,
    "weather_station": WEATHER_STATION,
    "weather_hour": WEATHER_HOUR,
    "run": RUN,
    **RUN_TABLES,
}

NEWEST_FIRST = "finished_at DESC, started_at DESC, run_id DESC"
LATEST_RANKING = f"""
CREATE OR REPLACE VIEW latest_ranking AS
SELECT * FROM ranking WHERE run_id = (SELECT run_id FROM run ORDER BY {NEWEST_FIRST} LIMIT 1)
"""


def create_statements() -> tuple[str, ...]:
    """Return the SQL that creates all these tables and the view of the newest ranking."""
    return (*(_create(name, layout) for name, layout in TABLES.items()), LATEST_RANKING)


def _create(name: str, layout: Layout) -> str:
    parts = [
        f"{quoted(column)} {kind}{' NOT NULL' if column in layout.required else ''}"
        for column, kind in layout.columns.items()
    ]
    if layout.key:
        parts.append(f"PRIMARY KEY ({', '.join(map(quoted, layout.key))})")
    return f"CREATE TABLE IF NOT EXISTS {quoted(name)} ({', '.join(parts)})"

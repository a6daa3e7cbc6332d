"""What an office knows of the roofs, as the tables that the program loads.

The shares of known facts are assumptions; what is known is true, but for the demand, which is a bill off by a few %.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from .roofs import PLACES

TODAY = pd.Timestamp("2026-06-01")
LEVELS = ("known", "readings", "asked", "all")
# Share of sites at which the office knows a fact; any other column of the tables is always known.
KNOWN = {
    "commissioned_on": 0.95, "roof_kind": 0.9, "storeys": 0.7, "annual_demand_kwh": 0.6, "occupants": 0.3,
    "owner_present": 0.6, "water_heat": 0.35, "water_store_litres": 0.15, "water_store_insulation_mm": 0.03,
    "element_kw": 0.12, "element_cut_out": 0.05, "battery_kwh": 0.8, "monitoring": 0.5, "internet_at_inverter": 0.4,
    "birds_seen": 0.2, "module_gap_mm": 0.1, "surroundings": 0.7, "cleanings_per_year": 0.2, "mixed_connectors": 0.1,
    "field_made_connectors": 0.1, "hot_connector": 0.05, "open_string": 0.05, "cell_type": 0.4, "humid_or_coastal": 0.5,
    "measured_excess_loss": 0.04, "remaining_life_years": 0.25, "export_rule": 0.9, "strings": 0.4,
    "module_count": 0.85, "module_rows": 0.5, "module_columns": 0.5, "module_width_m": 0.5, "module_height_m": 0.5,
    "temp_coefficient_pct_per_k": 0.4, "ground_cover_ratio": 0.3, "shading_pct": 0.4, "inverter_topology": 0.8,
}  # fmt: skip
RULE_END, RULE_END_KNOWN = "export_rule_until", 0.2  # drawn apart from the other facts
NEVER_ASKED = ("measured_excess_loss",)  # it takes instruments
SITE = [
    "site_id", "latitude", "longitude", "elevation_m", "roof_kind", "storeys", "occupants", "owner_present",
    "water_heat", "water_store_litres", "water_store_insulation_mm", "element_kw", "element_cut_out", "battery_kwh",
    "inverter_rating_kw", "inverter_topology", "monitoring", "internet_at_inverter", "birds_seen", "module_gap_mm",
    "surroundings", "cleanings_per_year", "mixed_connectors", "field_made_connectors", "hot_connector",
    "open_string", "cell_type", "humid_or_coastal", "measured_excess_loss", "remaining_life_years",
]  # fmt: skip
ARRAY = [
    "site_id", "tilt_deg", "azimuth_deg", "dc_rating_kw", "module_count", "module_rows", "module_columns",
    "module_width_m", "module_height_m", "mounting", "strings", "temp_coefficient_pct_per_k", "ground_cover_ratio",
    "shading_pct",
]  # fmt: skip


class Office:
    """The office of one portfolio; knows more at each level."""

    def __init__(self, roofs: pd.DataFrame, kept: dict, seed: int) -> None:
        rng = np.random.default_rng(seed + 2)
        n = len(roofs)
        self.roofs = roofs
        day = TODAY - pd.to_timedelta(roofs["age"] * 365 + 100, unit="D")
        site = roofs[SITE].assign(
            customer_id=roofs["site_id"].str.replace("R", "C"),
            commissioned_on=day.dt.strftime("%Y-%m-%d"),
            annual_demand_kwh=(kept["year"]["demand_kwh"] * rng.normal(1, 0.04, n)).round(),
            export_rule=np.where(roofs["net_metering"], "net metering", "net billing"),
            tariff_id=self._tariff_ids(),
            export_rule_until=self._rule_ends(),
        )
        site["element_cut_out"] = site["element_cut_out"].where(site["element_kw"] > 0)
        array = roofs[ARRAY].assign(array_id=roofs["site_id"] + "-A1")
        self.truth = {"site": site, "array": array}
        self.known = {
            table: pd.DataFrame({c: rng.random(n) < KNOWN.get(c, 1) for c in frame if c != RULE_END}, index=roofs.index)
            for table, frame in self.truth.items()
        }
        self.metered = rng.random(n) < 0.5
        self.known["site"][RULE_END] = np.random.default_rng([seed, 2]).random(n) < RULE_END_KNOWN
        self.reading = self._readings(kept, rng)

    def _rule_ends(self) -> pd.Series:
        days = TODAY + pd.to_timedelta(self.roofs["net_metering_years"] * 365.25, unit="D")
        return days.dt.strftime("%Y-%m-%d").where(self.roofs["net_metering"])

    def _tariff_ids(self) -> pd.Series:
        names = np.array([p.name for p in PLACES])[self.roofs["place"]]
        night = np.where(self.roofs["night_tariff"], "night", "flat")
        return pd.Series(names, self.roofs.index) + "-" + night + "-" + self.roofs["price_factor"].astype(str)

    def _tariffs(self) -> pd.DataFrame:
        frame = self.roofs.assign(tariff_id=self.truth["site"]["tariff_id"]).drop_duplicates("tariff_id")
        rows = []
        for _, r in frame.iterrows():
            p = {k: round(v * r["price_factor"], 4) for k, v in PLACES[r["place"]].prices.items()}
            row = {"tariff_id": r["tariff_id"], "valid_from": "2024-01-01", "import_price": p["import"],
                   "export_price": p["export"], "gas_price": p["gas"], "oil_price": p["oil"], "lpg_price": p["lpg"],
                   "district_heat_price": p["district"]}  # fmt: skip
            if r["night_tariff"]:
                row |= {"night_import_price": p["night"], "night_from_hour": 0, "night_until_hour": 7}
            rows.append(row)
        return pd.DataFrame(rows)

    def _readings(self, kept: dict, rng: np.random.Generator) -> pd.DataFrame:
        """Months of the production meter, two to three years back, with the weather of each year and all faults."""
        month_of = pd.date_range("2023-01-01", periods=8760, freq="h").month.to_numpy()
        typical = np.stack([kept["hourly"][month_of == m].sum(0) for m in range(1, 13)])
        rows = []
        for k in np.flatnonzero(self.metered):
            r = self.roofs.iloc[k]
            for back in range(1, min(int(rng.integers(24, 37)), int(r["age"]) * 12 + 3) + 1):
                begin = TODAY - pd.DateOffset(months=back)
                year = np.random.default_rng([int(r["place"]), begin.year]).normal(1, 0.039)
                kwh = typical[begin.month - 1, k] * year * rng.normal(1, 0.09) * (1 + r["ageing"]) ** (back / 12)
                if r["open_string"] and back > r["open_string_months"]:
                    kwh *= r["strings"] / (r["strings"] - 1)
                if r["stands_still"] and back <= r["standing_months"]:
                    kwh = 0.0
                end = begin + pd.DateOffset(months=1)
                rows.append((r["site_id"], "production", begin.date(), end.date(), round(max(kwh, 0), 1)))
        return pd.DataFrame(rows, columns=["site_id", "meter", "starts_at", "ends_at", "kwh"])

    def answer(self, questions: pd.DataFrame) -> pd.DataFrame:
        """Tell the truth of each fact asked about a site; return those that the truth does not hold."""
        row_of = pd.Series(self.roofs.index, index=self.roofs["site_id"])
        lost = []
        for q in questions.itertuples():
            table = next((t for t, known in self.known.items() if q.fact in known), None)
            if table:
                self.known[table].loc[row_of[q.site_id], q.fact] = True
            else:
                lost.append(q.fact)
        return pd.Series(lost, dtype=object)

    def answer_all(self) -> None:
        """Tell every fact that can be asked."""
        for known in self.known.values():
            known.loc[:, [c for c in known if c not in NEVER_ASKED]] = True

    def write(self, folder: Path, place: int, readings: bool) -> list[Path]:
        """Write the tables of one place and return their files."""
        here = self.roofs["place"] == place
        site = self.truth["site"]
        tables = {
            "customer": pd.DataFrame(
                {"customer_id": site["customer_id"], "name": "Household " + site["site_id"], "contact_allowed": "yes",
                 "contact_basis": "agreement of 2024-01-15", "last_contact_on": "2025-01-15", "on_register": "no"}
            )[here],
            "tariff": self._tariffs()[lambda t: t["tariff_id"].str.startswith(PLACES[place].name)],
        }  # fmt: skip
        for name, frame in self.truth.items():
            words = frame.apply(lambda c: c.map({True: "yes", False: "no"}) if c.dtype == bool else c)
            tables[name] = words.astype(object).where(self.known[name] & frame.notna(), None)[here]
        if readings:
            tables["reading"] = self.reading[self.reading["site_id"].isin(site.loc[here, "site_id"])]
        paths = []
        for name, frame in tables.items():
            paths.append(folder / f"{name}.csv")
            frame.to_csv(paths[-1], index=False)
        return paths

"""A small invented run as an output sees it, and a reader of the workbook. Figures here are inputs only."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
from notes_support import gathered

from aftersun import api
from aftersun.delivered.report import as_table
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun_reports.call_sheet import CallSheet

ARC = "Stop. Plugs of two makes are known to be mated here; they can arc."
FALL = "A fall from the roof kills. Ask first whether the work can be done from the ground."
SCALD = "Water from the store can scald: fit a mixing valve."
RUN_ID = "20260601T080000000000Z"

NOTES = [
    {"note_id": "fall", "severity": "danger", "text": FALL, "who": "people trained for work at height"},
    {"note_id": "scald", "severity": "warning", "text": SCALD, "who": "licensed plumber"},
    {"note_id": "arc", "severity": "danger", "text": ARC, "who": "licensed electrician", "tell_owner": True},
]
_PLACES = [
    ("S1", "bird_mesh", 0), ("S1", "hot_water_diverter", 1), ("S2", "connector_replacement", 0),
    ("S2", "connector_replacement", 2), ("S3", "hot_water_diverter", 1), ("S4", "connector_replacement", 2),
]  # fmt: skip
_WORTH = {"npv_p90": 120.0, "npv_p10": 910.0, "chance_npv_positive": 0.93}
_BUNDLE, _LOSS = "bird_mesh+hot_water_diverter", "connector_replacement"

MEMBERS = {_BUNDLE: ("bird_mesh", "hot_water_diverter")}
TEXTS = {
    "S1": "In one visit with one way up.", "S2": "A danger is known to stand here.", "S3": "Heats water from surplus.",
}  # fmt: skip

TABLES: Mapping[str, list[dict[str, Any]]] = {
    "call": [
        {"position": 1, "round": 2, "site_id": "S2", "customer_id": "C2", "retrofit": _LOSS, "npv": -900.0,
         "must_call": True, "kind": "warn", "contribution": 150.0,
         "chance_of_yes": 0.15, "excluded_reason": ""},
        {"position": 2, "round": 1, "site_id": "S1", "customer_id": "C1", "retrofit": _BUNDLE, "npv": 500.0,
         "must_call": False, "kind": "offer", "contribution": 321.0,
         "chance_of_yes": 0.2, "excluded_reason": ""},
        {"position": 3, "round": 2, "site_id": "S3", "customer_id": "C2", "retrofit": "hot_water_diverter",
         "npv": 77.0, "must_call": False, "kind": "offer", "contribution": 40.0,
         "chance_of_yes": 0.1, "excluded_reason": ""},
        {"site_id": "S4", "customer_id": "C3", "excluded_reason": "not_allowed"},
    ],
    "offer": [
        {"site_id": "S1", "offer": _BUNDLE, "npv": 500.0, **_WORTH, "upfront": 1840.0, "first_year_saving": 212.0,
         "contribution": 321.0, "equipment": ["tower"], "must_call": False},
        {"site_id": "S2", "offer": _LOSS, "npv": -900.0, **_WORTH, "npv_p90": -950.0, "upfront": 910.0,
         "first_year_saving": 1.0, "contribution": 150.0, "equipment": ["scaffold"], "must_call": True},
        {"site_id": "S3", "offer": "hot_water_diverter", "npv": 77.0, **_WORTH, "upfront": 640.0,
         "first_year_saving": 80.0, "contribution": 40.0, "equipment": ["none"], "must_call": False},
    ],
    "ranking": [
        {"site_id": "S1", "rank": 1, "retrofit": "hot_water_diverter", "npv": 400.0, **_WORTH, "upfront": 700.0,
         "first_year_saving": 150.0, "energy_gain_kwh": 0.0, "status": "subject_to_survey", "years": 12.0,
         "screening_reason": "whether the element has its own cut-out is not known"},
        {"site_id": "S1", "rank": 2, "retrofit": "bird_mesh", "npv": 90.0, "upfront": 1300.0,
         "first_year_saving": 62.0, "energy_gain_kwh": 130.0, "status": "recommended", "reason": "Birds nest there."},
        {"site_id": "S2", "rank": 1, "retrofit": _LOSS, "npv": -900.0, **_WORTH, "upfront": 910.0,
         "status": "safety_remedial", "reason": "Known danger."},
        {"site_id": "S4", "rank": 1, "retrofit": "bird_mesh", "status": "not_applicable",
         "screening_reason": "a flat roof"},
    ],
    "question": [
        {"site_id": "S1", "fact": "owner_present", "question": "Do you live there?", "chance_true": 0.8,
         "value_if_known": 20.0, "value_of_phone": 18.0, "value_of_visit": 0.0, "retrofits": ["bird_mesh"]},
        {"site_id": "S1", "fact": "birds_seen", "question": "Do birds nest there?", "chance_true": 0.3,
         "value_if_known": 90.0, "value_of_phone": 70.0, "value_of_visit": 60.0, "visit_cost": 110.0,
         "retrofits": ["bird_mesh"]},
        {"site_id": "S4", "fact": "open_string", "question": "Is one input weak?", "chance_true": 0.01,
         "value_if_known": 5.0, "value_of_phone": 0.0, "value_of_visit": 0.0, "retrofits": [_LOSS]},
    ],
    "safety_note": [{"site_id": site, "retrofit": retrofit, **NOTES[note]} for site, retrofit, note in _PLACES],
    "run_capacity": [{"name": "hours_roofer", "bookable": 4.5, "used": 3.25, "short": 0.0, "binding": True,
                      "value_of_one_more": 31.0}],
    "run_plan": [{"status": "proven_best", "gap": 0.0, "value": 1234.0, "greedy_value": 1100.0, "travel_cost": 56.0}],
    "run_assumption": [
        {"retrofit": "bird_mesh", "name": "life_years", "used": 12.0, "low": 8.0, "mode": 15.0, "high": 25.0,
         "unit": "a", "source": "assumption", "meaning": "years counted", "replaced": True,
         "replaced_why": "steel rusts here"},
    ],
    "run_claim": [{"retrofit": "bird_mesh", "text": "Up to 20 % more energy.", "source": "common practice"}],
    "run_retrofit": [
        {"retrofit": name, "title": title, "summary": f"{title}, in short", "version": "1.0", "life_years": 15.0}
        for name, title in (("bird_mesh", "Bird mesh"), ("connector_replacement", "Connector replacement"),
                            ("hot_water_diverter", "Hot water from surplus"))
    ],
    "run_value": [{"retrofit": "", "offers": 3, "npv": 577.0, "npv_p90": 100.0, "npv_p10": 900.0}],
    "site_energy": [
        {"site_id": "S1", "distance_km": 52.1, "station_far": True},
        {"site_id": "S2", "distance_km": 12.0, "station_far": False},
    ],
}  # fmt: skip

LETTERHEAD = api.Letterhead(
    "Larkmoor", (), (), (), None, "", "#224466", "a4", "en", {}, ".", ",", "%Y-%m-%d", False
)  # fmt: skip


def typed(table: str, rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Rows of a result table with the dtypes that a stored run has."""
    dtypes = RUN_TABLES[table].dtypes
    frame = pd.DataFrame([{"run_id": RUN_ID, **row} for row in rows]).reindex(columns=list(dtypes))
    return frame.astype(dtypes)


@dataclass(frozen=True)
class SmallRun:
    """A run view over given tables."""

    tables: Mapping[str, pd.DataFrame] = field(
        default_factory=lambda: {name: typed(name, rows) for name, rows in TABLES.items()}
    )
    people: Sequence[Mapping[str, Any]] = (
        {"customer_id": "C1", "name": "Household 1", "town": "LK 01 Larkmoor", "phone": "000 0001", "email": None},
        {"customer_id": "C2", "name": "Household 2", "town": "LK 02 Sallowby", "phone": "0002", "email": "b@x.invalid"},
    )
    texts: Mapping[str, str] = field(default_factory=lambda: TEXTS)
    personal: bool = True
    run_id: str = RUN_ID
    as_of: date = date(2026, 6, 1)
    made_at: datetime = datetime(2026, 6, 1, 8, 0, tzinfo=UTC)
    currency: str = "NOK"
    letterhead: api.Letterhead = LETTERHEAD
    made_from: Mapping[str, Any] = field(
        default_factory=lambda: {
            "program_version": "0.9", "plugin_versions": {"bird_mesh": "1.0"}, "input_hashes": {"sites": "abc123"},
            "seed": 7, "sites": 4, "failures": [{"plugin": "tilt_mount", "during": "change", "reason": "it fell over"}],
        }
    )  # fmt: skip
    company: Mapping[str, Any] = field(
        default_factory=lambda: {
            "company": {"name": "Larkmoor & Sons", "currency": "NOK", "price_date": "2026-05-01"},
            "money": {"sales_tax_rate": 0.25}, "calls": {"quiet_days": 90.0}, "facts": {},
            "system": {"rain_threshold_mm": {"value": 15.0, "who": "workshop", "why": "dust of the quarry"}},
        }
    )  # fmt: skip

    def table(self, name: str, site_id: str | None = None) -> pd.DataFrame:
        found = self.tables[name]
        return found if site_id is None else found[found["site_id"] == site_id].reset_index(drop=True)

    def sites(self) -> pd.DataFrame:
        raise NotImplementedError

    def arrays(self) -> pd.DataFrame:
        raise NotImplementedError

    def contacts(self) -> pd.DataFrame:
        names = ["customer_id", "name", "street", "town", "phone", "email"]
        if not self.personal:
            return pd.DataFrame(columns=names, dtype="string")
        return pd.DataFrame(list(self.people)).reindex(columns=[*names, *_beyond(self.people, names)])

    def delivered(self) -> pd.DataFrame:
        return as_table(())

    def titles(self) -> Mapping[str, str]:
        table = self.table("run_retrofit")
        return dict(zip(table["retrofit"], table["title"], strict=True))

    def calls(self) -> pd.DataFrame:
        table = self.table("call")
        return table[table["position"].notna()].sort_values("position", ignore_index=True)

    def members(self, offer: str) -> Sequence[str]:
        return MEMBERS.get(offer, (offer,))

    def prices(self, site_ids: Sequence[str]) -> Mapping[tuple[str, str], api.Price]:
        offers = self.table("offer")
        return {(row.site_id, row.offer): api.Price(float(row.upfront)) for row in offers.itertuples()}

    def call_texts(self) -> Mapping[str, str]:
        return self.texts

    def to_tell(self) -> pd.DataFrame:
        table = self.table("safety_note")
        known = table[table["tell_owner"].fillna(False)]
        return known[["site_id", "note_id", "severity", "text", "who"]].drop_duplicates(ignore_index=True)

    def hazards(self) -> pd.DataFrame:
        told = self.to_tell().groupby("site_id", sort=False)["note_id"].agg(tuple).rename("note_ids").reset_index()
        known = told.merge(self.table("call")[["site_id", "customer_id"]], on="site_id", how="left")
        return known.merge(self.contacts(), on="customer_id", how="left")

    def safety_notes(self) -> api.SafetyNotes:
        return gathered(self.table("safety_note"))

    def letters(self) -> Sequence[api.Letter]:
        return ()

    def with_rows(self, table: str, rows: Sequence[Mapping[str, Any]]) -> SmallRun:
        return replace(self, tables={**self.tables, table: typed(table, rows)})


def _beyond(people: Sequence[Mapping[str, Any]], names: Sequence[str]) -> list[str]:
    return sorted({name for person in people for name in person} - set(names))


def written(run: api.RunView, folder: Path) -> Any:
    """The workbook of a run, read back."""
    folder.mkdir(exist_ok=True)
    (path,) = CallSheet().write(run, folder, {})
    return openpyxl.load_workbook(path)


def header_row(sheet: Any) -> int:
    """Number of the row that the filter begins with, which is the header."""
    return int(re.fullmatch(r"A(\d+):[A-Z]+\d+", sheet.auto_filter.ref)[1])


def rows(sheet: Any) -> list[dict[str, Any]]:
    """The rows below the header by its titles."""
    header, *found = sheet.iter_rows(min_row=header_row(sheet), values_only=True)
    return [dict(zip(header, row, strict=True)) for row in found]


_OF_CALL = r"INDEX\(Calls!\$([A-Z]+):\$[A-Z]+,ROW\(\)([+-]\d+)?\)"
_OF_DETAILS = rf"INDEX\(Details!\$([A-Z]+):\$[A-Z]+,MATCH\({_OF_CALL},Details!\$([A-Z]+):\$[A-Z]+,0\)\)"
_REFERENCE = re.compile(f"{_OF_DETAILS}|{_OF_CALL}")


def reckoned(book: Any) -> None:
    """Put into the sheet call_log what a spreadsheet program shows there: every formula is nothing or its last part."""
    calls, details, log = book["Calls"], book["Details"], book["call_log"]

    def seen(row: int, column: str, number: str, away: str, numbers: str, own: str, own_away: str) -> Any:
        if own:
            return calls[f"{own}{row + int(own_away or 0)}"].value
        call = calls[f"{number}{row + int(away or 0)}"].value
        at = [cell.row for cell in details[numbers] if call is not None and cell.value == call]
        return details[f"{column}{at[0]}"].value if at else None

    for row in log.iter_rows(min_row=2):
        for cell in row:
            if cell.data_type != "f":
                continue
            found = _REFERENCE.findall(cell.value)
            assert found, cell.value
            values = [seen(cell.row, *reference) for reference in found]
            literal = re.search(r'"([^"]+)"\)+$', cell.value)
            last = literal[1] if literal else values[-1]
            cell.value = None if any(value in (None, "") for value in values) else last

"""How long a large workbook takes; the figure is printed, and no limit is asserted."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from call_sheet_support import RUN_ID, SmallRun, typed

from aftersun_reports.call_sheet import CallSheet

SITES, CALLS, RETROFITS, NOTES = 20_000, 400, 7, 10
REASON = (
    "Costs 2,837 EUR and brings 390 EUR in the first year, paid back after 8.5 years: worth 1,891 EUR over 16 years."
)
NAMES = ["bird_mesh", "connector_replacement", "hot_water_diverter", "d", "e", "f", "g"]


def _large() -> SmallRun:
    sites = np.char.add("S", np.arange(SITES).astype(str))
    draw = np.random.default_rng(1)
    size = SITES * RETROFITS
    fits = draw.random(size) < 0.57
    worth = np.where(fits, draw.normal(-500, 900, size), np.nan)
    ranking = {
        "site_id": np.repeat(sites, RETROFITS), "rank": np.where(fits, 1, 2), "retrofit": np.tile(NAMES, SITES),
        "npv": worth, "npv_p90": worth - 100, "npv_p10": worth + 100,
        "chance_npv_positive": np.where(fits, 0.4, np.nan), "upfront": np.where(fits, 900.0, np.nan),
        "first_year_saving": np.where(fits, 90.0, np.nan), "energy_gain_kwh": np.where(fits, 10.0, np.nan),
        "status": np.where(fits, np.where(worth > 600, "recommended", "not_cost_effective"), "not_applicable"),
        "reason": np.where(fits, REASON, "Dry air, and no excess loss is measured."),
    }  # fmt: skip
    notes = {
        "site_id": np.repeat(sites, RETROFITS * NOTES), "retrofit": np.tile(np.repeat(NAMES, NOTES), SITES),
        "note_id": np.tile(np.char.add("n", np.arange(NOTES).astype(str)), SITES * RETROFITS),
        "severity": "danger", "who": "licensed electrician",
    }  # fmt: skip
    number = np.where(np.arange(SITES) < CALLS, np.arange(SITES) + 1.0, np.nan)
    call = {
        "site_id": sites, "customer_id": np.char.replace(sites, "S", "C"), "position": number, "round": 1,
        "retrofit": "bird_mesh", "npv": 300.0, "must_call": False, "kind": "offer",
        "contribution": 40.0, "excluded_reason": np.where(np.isnan(number), "no_offer", ""),
    }  # fmt: skip
    # Of the demo's sites about a third have an offer.
    offer = {
        "site_id": sites[::3],
        "offer": "bird_mesh",
        "npv": 300.0,
        "upfront": 900.0,
        "equipment": [["tower"]] * len(sites[::3]),
    }
    run = SmallRun(texts=dict.fromkeys(sites, REASON))
    made = {"ranking": ranking, "safety_note": notes, "call": call, "offer": offer}
    for name, columns in made.items():
        empty = typed(name, [])
        frame = pd.DataFrame({"run_id": RUN_ID, **columns}).reindex(columns=list(empty))
        run.tables[name] = frame.astype(empty.dtypes.to_dict())  # type: ignore[index]
    run.tables["safety_note"]["text"] = "Long text of note " + run.tables["safety_note"]["note_id"]
    return run


@pytest.mark.slow
def test_twenty_thousand_sites(tmp_path: Path) -> None:
    run = _large()
    began = time.perf_counter()
    (path,) = CallSheet().write(run, tmp_path, {})
    took = time.perf_counter() - began
    print(f"\n{SITES:,} sites, {SITES * RETROFITS:,} retrofits: {took:.1f} s, {path.stat().st_size / 1e6:.1f} MB")
    book = openpyxl.load_workbook(path, read_only=True)
    seen = [row[0] for row in book["All retrofits"].iter_rows(min_row=4, max_col=1, values_only=True)]
    assert len(seen) == SITES * RETROFITS
    assert seen[-1] == f"S{SITES - 1}"

"""Makes the small inventory that stands here for a version of the layout, with the program of that version.

    git worktree add ../then COMMIT
    PYTHONPATH=../then/core:../then/datasets:../then/plugins:../then/reports python make.py layout-N.duckdb
    gzip -9 layout-N.duckdb

All people and places are invented.
"""

from __future__ import annotations

import sys
from datetime import UTC, date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import pandas as pd

from aftersun.inventory.loading.load import load_file
from aftersun.inventory.log import call_log
from aftersun.inventory.runs import stored_runs
from aftersun.inventory.store.dictionary import tables
from aftersun.inventory.store.file import Inventory

TEXTS = {
    "customer": (
        "customer_id,name,street,town,phone,email,contact_allowed,contact_basis,last_contact_on\n"
        "C1,Household A,1 Sample Street,00001 Sampletown,555-0101,a@example.org,yes,agreement 2024-01-02,2025-02-03\n"
        "C2,Household B,2 Sample Street,00001 Sampletown,555-0102,,no,objection of 2024-05-06,\nC3,Household C,,,,,,,\n"
    ),
    "tariff": "tariff_id,valid_from,import_price,export_price\nT1,2024-01-01,0.30,0.08\nT1,2025-01-01,0.34,\n",
    "site": (  # two good rows, one without its customer, one that lies nowhere
        "site_id,customer_id,latitude,longitude,tariff_id,birds_seen,commissioned_on\n"
        "S1,C1,40.0,-3.5,T1,yes,2012-06-01\nS2,C2,-33.9,18.4,,unknown,2015-07-01\n"
        "S3,C9,40.1,-3.4,T1,no,2015-07-01\nS4,C3,95,-3.4,T1,no,2015-07-01\n"
    ),
    "array": "array_id,site_id,tilt_deg,azimuth_deg,dc_rating_kw\nA1,S1,30,180,4.2\nA2,S2,20,0,3.1\n",
    "fitted": "site_id,retrofit,fitted_on,remark\nS2,bird_mesh,2023-03-04,by the owner\n",
    "reading": (
        "site_id,meter,starts_at,ends_at,kwh\n"
        "S1,production,2024-01-01,2024-02-01,210\nS1,production,2024-02-01,2024-03-01,260\n"
    ),
    "horizon": "site_id,azimuth_deg,height_deg\nS1,90,5\nS1,270,12\n",
}
RUN = stored_runs.RunRecord(
    run_id="20260301T080000000000Z",
    started_at=datetime(2026, 3, 1, 8, tzinfo=UTC),
    finished_at=datetime(2026, 3, 1, 8, 5, tzinfo=UTC),
    program_version="0.1.0",
    as_of=date(2026, 3, 1),
    sites=2,
    seed=0,
    plugin_versions={"bird_mesh": "1.0"},
    settings={"company": {"company": {"currency": "EUR", "name": "Example Solar"}}},
)
RANKING = {
    "site_id": ["S1", "S2"],
    "retrofit": "bird_mesh",
    "npv": [100.0, float("nan")],
    "status": ["advised", "does not fit"],
}
CALL = {"site_id": ["S1", "S2"], "customer_id": ["C1", "C2"], "excluded_reason": [None, "contact not allowed"]}
ENTRY = {
    "site_id": "S1",
    "called_on": "2026-03-02",
    "outcome": "later",
    "retrofit": "bird_mesh",
    "leave_until": "2026-06-01",
    "remark": "asks to be called in summer",
}


def main(path: Path) -> None:
    """Make the inventory with a few rows in most tables."""
    with Inventory.create(path) as inventory, TemporaryDirectory() as folder:
        for table in tables():
            source = Path(folder) / f"{table}.csv"
            source.write_text(TEXTS[table])
            load_file(inventory, table, source)
        stored_runs.write_run(inventory, RUN, {"ranking": pd.DataFrame(RANKING), "call": pd.DataFrame(CALL)})
        call_log.record_call(inventory, ENTRY, {"roof_kind": "pitched tile"}, today=date(2026, 3, 3))
        call_log.make_offer(inventory, "S1", "bird_mesh", 450.0, "EUR", date(2026, 3, 3))


if __name__ == "__main__":
    main(Path(sys.argv[1]))

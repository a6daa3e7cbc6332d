"""Work that was done: what it took, what had been promised of it, and what it makes true of the site."""

from __future__ import annotations

import duckdb
import pandas as pd

from aftersun.inventory.log.learnt_facts import fact_columns
from aftersun.inventory.store import rules
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import registered, typed_frame
from aftersun.inventory.store.tables import OTHER_TABLES, insert_frame, of_site, read_table
from aftersun.model import tables

JOB = OTHER_TABLES["job"]
PERSONAL = ("parts", "crew", "photos")  # typed by people: not shown unasked
PRODUCTION, EXPORT = "production", "export"
_OF_THE_WHOLE = ("hours", "price", "promised_kwh", "promised_p90_kwh", "promised_p10_kwh", "promised_hours")
_PROMISES = {
    "run_id": "string",
    "variant": "string",
    "meter": "string",
    "promised_kwh": "Float64",
    "promised_hours": "Float64",
}


def keep_jobs(connection: duckdb.DuckDBPyConnection, done: pd.DataFrame, values: pd.DataFrame) -> pd.DataFrame:
    """Store work done as jobs, within the caller's transaction; return ``values`` with what it makes true of the sites.

    ``done`` has a row an entry, as stored in the call log, with the columns of ``call_log.WORK`` and ``row``, the index
    label of the row of ``values`` that it comes from. What nobody said was promised is taken from the newest run before
    that day; a fact that is told in ``values`` is left as told.
    """
    if done.empty:
        return values
    jobs = done.rename(columns={"called_on": "done_on"}).drop(columns="run_id")
    jobs.loc[jobs["row"].duplicated(), list(_OF_THE_WHOLE)] = pd.NA  # of several done in one visit the first has them
    promised = _promises(connection, jobs).reindex(jobs["entry"]).set_axis(jobs.index)
    told = jobs["promised_kwh"].notna()
    for name in _PROMISES:
        if name == "run_id":  # nobody's run promised what was told
            jobs[name] = promised[name].mask(told)
        elif name == "meter":
            jobs[name] = jobs[name].fillna(promised[name].mask(told)).fillna(PRODUCTION)
        else:
            jobs[name] = jobs[name].fillna(promised[name])
    insert_frame(connection, JOB, jobs)
    return _with_work_facts(jobs, values)


def _promises(connection: duckdb.DuckDBPyConnection, jobs: pd.DataFrame) -> pd.DataFrame:
    """Return what the newest run before each job said of it, by entry; what sends energy to water shows at export."""
    query = f"""
        WITH said AS (
            SELECT work.entry, run.run_id, ranking.variant, energy_gain_kwh, coalesce(to_water_kwh, 0) AS to_water,
                (SELECT sum(hours) FROM offer_hours AS part WHERE part.run_id = run.run_id
                    AND part.site_id = work.site_id AND part.offer = work.retrofit) AS promised_hours
            FROM work JOIN ranking USING (site_id, retrofit) JOIN run USING (run_id)
            WHERE energy_gain_kwh IS NOT NULL AND run.as_of <= work.done_on::DATE
                AND run.finished_at::DATE <= work.done_on::DATE
            QUALIFY row_number() OVER (PARTITION BY work.entry ORDER BY finished_at DESC, run.run_id DESC) = 1
        )
        SELECT entry, run_id, variant, promised_hours,
            CASE WHEN to_water > energy_gain_kwh THEN '{EXPORT}' ELSE '{PRODUCTION}' END AS meter,
            greatest(to_water, energy_gain_kwh) AS promised_kwh
        FROM said
    """
    with registered(connection, work=jobs[["entry", "site_id", "retrofit", "done_on"]]):
        return typed_frame(connection, query, {"entry": "Int64", **_PROMISES}).set_index("entry")


def _with_work_facts(jobs: pd.DataFrame, values: pd.DataFrame) -> pd.DataFrame:
    values = values.copy()
    for fact in tables.work_facts():
        mine = jobs["retrofit"] == fact.retrofit
        mine &= (jobs["variant"] == fact.variant).fillna(False) if fact.variant else True
        rows = pd.Index(jobs.loc[mine, "row"].unique())
        if not len(rows):
            continue
        column = fact_columns()[fact.column]
        if fact.column not in values:
            values[fact.column] = pd.Series(pd.NA, values.index, dtype=column.dtype)
        untold = rows[values.loc[rows, fact.column].isna()]
        if fact.value == tables.DAY_OF_WORK:
            values.loc[untold, fact.column] = values.loc[untold, "called_on"]
        else:
            said, _ = rules.parse(column, pd.Series(fact.value, untold, dtype="string"))
            values.loc[untold, fact.column] = said
    return values


def made_true(connection: duckdb.DuckDBPyConnection, entry: int) -> dict[str, str]:
    """Return the facts that the work of an entry made true, as text by column, also where somebody told them too."""
    query = "SELECT retrofit, coalesce(variant, ''), done_on::VARCHAR FROM job WHERE entry = ?"
    return {
        fact.column: day if fact.value == tables.DAY_OF_WORK else fact.value
        for retrofit, variant, day in connection.execute(query, [entry]).fetchall()
        for fact in tables.work_facts()
        if fact.retrofit == retrofit and fact.variant in ("", variant)
    }


def told_of(connection: duckdb.DuckDBPyConnection, entry: int) -> dict[str, object]:
    """Return what an entry told of the work, by column: not what a run had promised."""
    row = read_table(connection, JOB, "WHERE entry = ?", [entry]).to_dict("records")
    of_run = set(_PROMISES) if row and not pd.isna(row[0]["run_id"]) else {"run_id"}
    apart = {"entry", "site_id", "retrofit", "done_on", "recorded_at", *of_run}
    return {str(name): value for one in row for name, value in one.items() if name not in apart and not pd.isna(value)}


def jobs(inventory: Inventory, site_id: str | None = None, personal: bool = False) -> pd.DataFrame:
    """Return the work done that stands, of all sites or one, oldest first: columns of table ``job``.

    Parts, crew and photos are there only if ``personal``: people typed them.
    """
    where, parameters = of_site(site_id)
    standing = "entry NOT IN (SELECT entry FROM call_log WHERE corrected_at IS NOT NULL)"
    where = f"{where} AND {standing}" if where else f"WHERE {standing}"
    names = [name for name in JOB.columns if personal or name not in PERSONAL]
    return read_table(inventory.connection, JOB, where, parameters, names)

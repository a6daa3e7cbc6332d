"""Small portfolios to rank, and all that a run stores of them, for tests of runs as a whole."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import duckdb
import pandas as pd
from demo_support import keep_sites, put_demo

from aftersun.inventory.runs.stored_runs import read_run_table
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.scoring.run.demo import AS_OF
from aftersun.scoring.run.rank import Settings

BUILT_IN = (
    "anti_soiling_coating",
    "bird_mesh",
    "connector_replacement",
    "degradation_mitigation",
    "hot_water_diverter",
    "monitoring_add_on",
    "tilt_mount",
)
QUICK = ("bird_mesh", "connector_replacement", "monitoring_add_on")  # fast; with known dangers, and worth it at S0014

PLUGIN = """
import ctypes, locale, os, random, signal, sys, time, warnings
import numpy as np
from aftersun import api

NOTE = api.Note("odd_note", api.DANGER, "A note of the odd one.", "electrician", "test")
FACT = api.Fact("odd_fact", api.Range(0.3, 0.1, 0.5, "chance", "assumption"), "Is it odd?")

class Odd:
    about = api.About("{id}", "Odd", "Odd.", "1", api.Range(10, 5, 20, "a", "assumption"), (), ("test",))
    assumptions = {{}}
    facts = {{}}
    claims = ()
    def screen(self, cohort):
        {screen}
        return api.Screening.of(cohort)
    def safety(self, cohort):
        {safety}
        return api.Notes.of(cohort).add(NOTE)
    def change(self, cohort, plant, assume):
        {change}
        costs = [api.CostLine(api.LABOUR, "electrician", np.ones(len(cohort)), "h")]
        return api.Change(plant.replace(transmittance=plant.transmittance * 1.05), costs)

@api.hookimpl
def aftersun_retrofits(): return [Odd()]
"""


def plugin(folder: Path, name: str = "odd", screen: str = "pass", safety: str = "pass", change: str = "pass") -> Path:
    """Write a one-file plugin that does something in one of its methods."""
    folder.mkdir(exist_ok=True)
    text = PLUGIN.format(id=name, screen=screen, safety=safety, change=change)
    (folder / f"{name}.py").write_text(text)
    return folder


class Small(NamedTuple):
    """A small portfolio."""

    inventory: Path
    company: Path

    def settings(self, **given: object) -> Settings:
        """Settings for a quick run in chunks of two sites, unless others are given."""
        return Settings(self.company, AS_OF, **{"ranges": False, "chunk_sites": 2, **given})


def small(folder: Path, sites: int, keep: Sequence[str] = QUICK, last: str = "S0014") -> Small:
    """Make the demo with a few of its sites and some of the retrofits."""
    demo = put_demo(folder)
    made = Small(demo.inventory, demo.company)
    with duckdb.connect(str(made.inventory), read_only=True) as connection:
        query = "SELECT site_id FROM site WHERE site_id <= ? ORDER BY site_id DESC LIMIT ?"
        chosen = [site for (site,) in connection.execute(query, [last, sites]).fetchall()]
    keep_sites(made.inventory, chosen)
    off = [name for name in BUILT_IN if name not in keep]
    text = made.company.read_text(encoding="utf-8")
    changed = re.sub(r"(?m)^off = \[\]$", f"off = {off}", text)
    assert changed != text or not off
    made.company.write_text(changed, encoding="utf-8")
    return made


def write_elsewhere(inventory: Path) -> None:
    """Open an inventory for writing in another process, as far as it is free."""
    code = "import duckdb, sys; duckdb.connect(sys.argv[1]).close()"
    subprocess.run([sys.executable, "-c", code, str(inventory)], check=True, capture_output=True)


def stored(inventory: Path, run_id: str | None = None) -> dict[str, pd.DataFrame]:
    """Return all result tables of a run, the last unless one is named, without its number."""
    with Inventory.open(inventory, read_only=True) as opened:
        query = "SELECT run_id FROM run ORDER BY finished_at DESC LIMIT 1"
        run = run_id or opened.connection.execute(query).fetchall()[0][0]
        return {table: read_run_table(opened, table, run).drop(columns="run_id") for table in RUN_TABLES}


def assert_same(found: dict[str, pd.DataFrame], expected: dict[str, pd.DataFrame]) -> None:
    """Hold that the tables are equal to the bit, and that there is something in them."""
    assert found.keys() == expected.keys()
    for table, frame in expected.items():
        pd.testing.assert_frame_equal(found[table], frame, check_exact=True, obj=table)
    assert {"ranking", "safety_note", "offer", "cost_item", "call", "site_energy"} <= {
        table for table, frame in found.items() if len(frame)
    }


def without(tables: dict[str, pd.DataFrame], plugin: str) -> dict[str, pd.DataFrame]:
    """Return the tables without the rows of one retrofit."""
    kept = {}
    for table, frame in tables.items():
        mine = frame["retrofit"] == plugin if "retrofit" in frame else pd.Series(False, index=frame.index)
        kept[table] = frame[~mine.fillna(False)].reset_index(drop=True)
    return kept


def processes_of(parent: int) -> list[int]:
    """Return the processes that a process has started and that still run, where the system lists them."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[1]) == parent and fields[0] != "Z":
            found.append(int(path.parent.name))
    return found


def alive(pid: int) -> bool:
    """Tell whether a process runs."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat")
    return not stat.exists() or stat.read_text().rpartition(")")[2].split()[0] != "Z"


def copied(made: Small, folder: Path) -> Small:
    """Return a copy of a portfolio in a folder of its own, to be changed."""
    shutil.copytree(made.inventory.parent, folder / "copy")
    return Small(folder / "copy" / made.inventory.name, folder / "copy" / made.company.name)

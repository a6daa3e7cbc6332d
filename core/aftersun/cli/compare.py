"""Prints why two stored runs differ."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from aftersun.cli.terminal import terminal
from aftersun.documents.compare import COMPUTED, Cause, Difference, compare
from aftersun.inventory.runs.stored_runs import RunRecord
from aftersun.inventory.store.file import Inventory

_SHOWN = 40  # characters of a value


def compared(inventory: Path, first: str | None, second: str | None, movers: int) -> Difference:
    """Set the runs side by side."""
    with Inventory.open(inventory, read_only=True) as opened:
        return compare(opened, first, second, movers)


def difference_as_data(found: Difference) -> dict[str, Any]:
    """Return everything for another program."""
    return {
        "first": found.first.run_id,
        "second": found.second.run_id,
        "same_results": found.same,
        "made_differently": [
            {"kind": cause.kind, "name": cause.name, "first": cause.first, "second": cause.second}
            for cause in found.causes
        ],
        "tables_that_differ": [table for table, same in found.tables.items() if not same],
        "sites": {
            "of_both": found.sites_of_both,
            "only_in_first": found.only_in_first,
            "only_in_second": found.only_in_second,
            "best_offer_changed": found.best_offer_changed,
            "ranking_changed": found.ranking_changed,
        },
        "movers": _records(found.movers),
        "safety_notes_that_differ": _records(found.notes),
    }


def show_difference(found: Difference) -> None:
    """Print what the runs were made from, what came of it, and every safety note that only one of them has."""
    terminal.heading("Two runs")
    for name, run in (("first", found.first), ("second", found.second)):
        terminal.result(f"{name:<7} {run.run_id}  {_when(run)}  {run.sites:,} sites")
    _show_causes(found)
    _show_results(found)
    _show_notes(found)


def _show_causes(found: Difference) -> None:
    terminal.heading("Made differently")
    real = [cause for cause in found.causes if cause.kind != COMPUTED]
    if not real:
        terminal.result("Nothing that results depend on.")
    for cause in real:
        terminal.paragraph(f"{cause.kind}: {cause.name} {_change(cause)}", hang=2)
    others = [cause.name for cause in found.causes if cause.kind == COMPUTED]
    if others:
        terminal.paragraph(f"What changes no result: {', '.join(others)}.", hang=2)


def _change(cause: Cause) -> str:
    if cause.kind == "input" or cause.name.startswith("code"):
        if cause.first is None or cause.second is None:
            return "is not in the first run" if cause.first is None else "is not in the second run"
        return "changed"
    return f"was {_shown(cause.first)}, became {_shown(cause.second)}"


def _shown(value: str | None) -> str:
    if value is None:
        return "not there"
    return value if len(value) <= _SHOWN else f"{value[:_SHOWN]}..."


def _show_results(found: Difference) -> None:
    terminal.heading("What came of it")
    if found.same:
        terminal.result("All results are the same to the bit.")
        return
    tables = ", ".join(table for table, same in found.tables.items() if not same)
    terminal.paragraph(
        f"Of {found.sites_of_both:,} sites in both runs, {found.best_offer_changed:,} have another best offer and "
        f"{found.ranking_changed:,} another ranking; {found.only_in_first:,} sites are only in the first run, "
        f"{found.only_in_second:,} only in the second. Tables that differ: {tables}."
    )
    if found.movers.empty:
        return
    rows = [
        [
            str(row["site_id"]),
            _offer(row["offer_first"]),
            _money(row["npv_first"]),
            _offer(row["offer_second"]),
            _money(row["npv_second"]),
            f"{row['npv_change']:+,.0f}",
        ]
        for row in found.movers.to_dict("records")
    ]
    terminal.result()
    terminal.result(f"Largest changes of the best offer's net present value, {found.currency}:")
    terminal.table(["site", "first", "worth", "second", "worth", "change"], rows, "<<><>>", indent=2)


def _show_notes(found: Difference) -> None:
    terminal.heading("Safety notes that only one of the runs has")
    if found.notes.empty:
        terminal.result("None.")
        return
    keys = ["severity", "note_id", "text", "who", "tell_owner", "only_in"]
    for (severity, name, text, who, tell, only_in), rows in found.notes.groupby(keys, sort=False, dropna=False):
        known = " A known danger: the owner is to be told." if tell else ""
        said = f"{str(severity).upper()} [{name}] only in the {only_in} run. {text} Who: {who}.{known}"
        terminal.paragraph(said, hang=2)
        sites = rows.groupby("retrofit", sort=True)["site_id"].agg(lambda ids: ", ".join(sorted(ids)))
        for retrofit, listed in sites.items():
            terminal.paragraph(f"{retrofit} at {listed}", indent=2, hang=2)


def _when(run: RunRecord) -> str:
    return f"{run.finished_at:%Y-%m-%d %H:%M} UTC, as of {run.as_of}"


def _offer(value: Any) -> str:
    return str(value).replace("_", " ") if isinstance(value, str) else "none"


def _money(value: Any) -> str:
    return "" if pd.isna(value) else f"{value:,.0f}"


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [
        {str(name): None if pd.isna(value) else value for name, value in row.items()}
        for row in frame.to_dict("records")
    ]

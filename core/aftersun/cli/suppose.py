"""Prints a run with something changed beside the stored one."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from aftersun.cli.show import show_notes
from aftersun.cli.terminal import terminal
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.scoring.run.what_if import Comparison, suppose

_SITES = 10


def compared(inventory: Path, changes: Sequence[str], site_id: str | None, workers: int) -> tuple[Comparison, RunView]:
    """Compute the comparison, with progress; nothing is stored."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        if site_id is not None:
            view.facts(site_id)  # there is such a site
        view.titles()
        with terminal.progress("supposing") as progress:
            return suppose(opened, view.run, changes, site_id, progress, workers), view


def comparison_as_data(comparison: Comparison, view: RunView) -> dict[str, Any]:
    """Return all rows side by side, for another program."""
    rows = comparison.rows
    return {
        "run_id": view.run.run_id,
        "currency": view.currency,
        "rows": [
            {str(name): None if pd.isna(value) else value for name, value in row.items()}
            for row in rows.to_dict("records")
        ],
        "safety_notes": comparison.told.to_dict("records"),
        "failures": [failure.plugin for failure in comparison.failures],
    }


def show_comparison(comparison: Comparison, view: RunView, changes: Sequence[str], site_id: str | None) -> None:
    """Print what moves, of one site or of all, and what can hurt someone in what would be offered."""
    _show_rows(comparison, view, changes, site_id)
    show_notes(comparison.told, "Safety notes for what would be offered")


def _show_rows(comparison: Comparison, view: RunView, changes: Sequence[str], site_id: str | None) -> None:
    rows = comparison.rows
    terminal.heading(f"If {', '.join(changes)}: net present value in {view.currency}")
    terminal.paragraph(f"Beside run {view.run.run_id}, which stays as it is. Nothing is stored.")
    if site_id is not None:
        terminal.table(
            ["retrofit", "stored", "", "supposed", ""],
            [
                [
                    row["retrofit"].replace("_", " "),
                    *_cell(row, "stored"),
                    *_cell(row, "supposed"),
                ]
                for row in rows.to_dict("records")
            ],
            "<><><",
        )
        return
    stored, supposed = comparison.offered("stored"), comparison.offered("supposed")
    table = [
        [
            retrofit.replace("_", " "),
            f"{stored[retrofit][0]}",
            f"{stored[retrofit][1]:,.0f}",
            f"{supposed[retrofit][0]}",
            f"{supposed[retrofit][1]:,.0f}",
        ]
        for retrofit in sorted(rows["retrofit"].unique())
    ]
    terminal.table(["retrofit", "offered", "worth", "supposed", "worth"], table, "<>>>>")
    turned = comparison.turned()
    terminal.result()
    terminal.result(f"The advice turns {len(turned)} times.")
    for row in turned.head(_SITES).to_dict("records"):
        terminal.paragraph(
            f"{row['site_id']} {row['retrofit'].replace('_', ' ')}: {' '.join(_cell(row, 'stored'))} -> "
            f"{' '.join(_cell(row, 'supposed'))}",
            indent=2,
            hang=2,
        )
    if len(turned) > _SITES:
        terminal.result(f"  and {len(turned) - _SITES} more; --json lists all")


def _cell(row: dict[Any, Any], which: str) -> tuple[str, str]:
    npv, status = row[f"npv_{which}"], row[f"status_{which}"]
    return ("" if pd.isna(npv) else f"{npv:,.0f}", "" if pd.isna(status) else str(status))

"""Prints everything a stored run knows of one site."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from aftersun.cli.terminal import terminal
from aftersun.inventory.dictionary import columns
from aftersun.inventory.store import Inventory
from aftersun.model.change import SEVERITIES
from aftersun.scoring.view import RunView


def explain_as_data(inventory: Path, site_id: str) -> dict[str, Any]:
    """Return everything the last run knows of one site, for another program."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        data: dict[str, Any] = {
            "run_id": view.run.run_id,
            "currency": view.currency,
            "facts": dict(view.facts(site_id)),
            "arrays": _records(view.arrays(site_id)),
            "call": {name: _plain(value) for name, value in view.call_of(site_id).items()},
        }
        for table in ("site_energy", "site_loss", "ranking", "cost_item", "cash_flow", "safety_note"):
            data[table] = _records(view.table(table, site_id))
        data["claims"] = _records(view.table("run_claim"))
        return data


def show_explanation(inventory: Path, site_id: str) -> None:
    """Print one site: facts, energy, every retrofit with its costs, claims and safety notes, and the verdicts."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        _facts(view, site_id)
        _energy(view, site_id)
        _retrofits(view, site_id)


def _facts(view: RunView, site_id: str) -> None:
    facts = view.facts(site_id)
    call = view.call_of(site_id)
    terminal.heading(f"Site {site_id}")
    if pd.isna(call["position"]):
        terminal.paragraph(f"Not on the call list: {call['excluded_reason']}.")
    else:
        terminal.paragraph(f"Number {call['position']} on the call list.")
    known = [column for column in columns("site") if column.name in facts and column.name != "site_id"]
    terminal.paragraph("; ".join(f"{_words(c.name)} {_value(facts[c.name])}" for c in known) + ".")
    unknown = [_words(column.name) for column in columns("site") if column.name not in facts]
    if unknown:
        terminal.paragraph(f"Not known: {', '.join(unknown)}.")
    for array in view.arrays(site_id).to_dict("records"):
        terminal.paragraph(
            f"Array {array['array_id']}: {array['dc_rating_kw']:g} kW at {array['tilt_deg']:g} degrees tilt, facing "
            f"{array['azimuth_deg']:g} degrees, {_value(array['mounting'])}"
        )


def _energy(view: RunView, site_id: str) -> None:
    table = view.table("site_energy", site_id)
    if table.empty:
        terminal.paragraph("This site could not be valued; see the reason above.")
        return
    row = table.iloc[0]
    terminal.heading("Energy of a typical year")
    terminal.paragraph(
        f"Weather of station {row['station_id']}, {row['distance_km']:.0f} km away. {_value(row['remark'])}".rstrip()
    )
    terminal.table(
        ["", "kWh a year"],
        [
            [label, f"{row[name]:,.0f}"]
            for label, name in (
                ("generated", "generated_kwh"),
                ("used on site", "used_kwh"),
                ("to hot water", "to_water_kwh"),
                ("exported", "exported_kwh"),
                ("curtailed", "curtailed_kwh"),
                ("bought", "imported_kwh"),
            )
        ],
        "<>",
    )
    terminal.result(f"Yield {row['yield_kwh_per_kw']:,.0f} kWh per kW installed.")
    terminal.heading("Where the energy goes, kWh a year")
    losses = view.table("site_loss", site_id)
    shown = losses[(losses["kwh"].abs() >= 0.5) | losses["step"].isin(["in_plane_kwh", "generated_kwh"])]
    first, last = shown.iloc[0], shown.iloc[-1]
    total = float(first["kwh"])
    rows = [["light on the modules at their rated efficiency", f"{total:,.0f}", ""]]
    for step in shown.iloc[1:-1].to_dict("records"):
        rows.append(
            [
                _words(step["step"].removesuffix("_kwh")),
                f"{-step['kwh']:,.0f}",
                f"{-100 * step['kwh'] / total:.1f} %",
            ]
        )
    rows.append(["generated", f"{last['kwh']:,.0f}", ""])
    terminal.table(["step", "kWh", "share"], rows, "<>>")


def _retrofits(view: RunView, site_id: str) -> None:
    ranking = view.table("ranking", site_id)
    costs, notes = view.table("cost_item", site_id), view.table("safety_note", site_id)
    claims, titles = view.table("run_claim"), view.titles()
    terminal.heading(f"Retrofits, best first ({view.currency}, tax included)")
    for row in ranking.sort_values("rank", na_position="last").to_dict("records"):
        mine = row["retrofit"]
        worth = "" if pd.isna(row["npv"]) else f", net present value {row['npv']:,.0f}"
        terminal.result()
        terminal.result(f"{titles.get(mine, mine)}: {row['status']}{worth}")
        terminal.paragraph(row["reason"], indent=2)
        if not pd.isna(row["npv"]):
            terminal.paragraph(_measures(row), indent=2)
        items = costs[costs["retrofit"] == mine]
        if len(items):
            terminal.table(
                ["cost item", "quantity", "unit", "price", "note"],
                [
                    [
                        f"{i['kind']} {_words(i['item'])}",
                        f"{i['quantity']:,.3g}",
                        i["unit"],
                        f"{i['price']:,.0f}",
                        i["note"],
                    ]
                    for i in items.to_dict("records")
                ],
                "<><><",
                indent=2,
            )
        for claim in claims[claims["retrofit"] == mine].to_dict("records"):
            terminal.paragraph(f"The trade says: {claim['text']} ({claim['source']})", indent=2, hang=2)
        rules = notes[notes["retrofit"] == mine].to_dict("records")
        for note in sorted(rules, key=lambda note: -SEVERITIES.index(note["severity"])):
            terminal.paragraph(f"{note['severity'].upper()}: {note['text']} Who: {note['who']}.", indent=2, hang=2)
    terminal.result()
    terminal.paragraph("Local codes and licensed practice come first; the safety notes replace neither.")


def _measures(row: Mapping[Hashable, Any]) -> str:
    def years(value: Any) -> str:
        return "never" if pd.isna(value) else f"{value:.1f} years"

    ratio = "none" if pd.isna(row["sir"]) else f"{row['sir']:.2f}"
    simple, discounted = years(row["simple_payback_years"]), years(row["discounted_payback_years"])
    return (
        f"Generation changes by {row['energy_gain_kwh']:+,.0f} kWh a year. Payback {simple} simple, {discounted} "
        f"discounted; savings-to-investment ratio {ratio}."
    )


def _words(name: str) -> str:
    return name.replace("_", " ")


def _value(value: Any) -> str:
    if pd.isna(value):
        return ""
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, pd.Timestamp):
        return f"{value:%Y-%m-%d}"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _plain(value: Any) -> Any:
    return None if pd.isna(value) else value


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(name): _plain(value) for name, value in row.items()} for row in frame.to_dict("records")]

"""Prints everything a stored run knows of one site."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from aftersun.cli.show import sureness
from aftersun.cli.terminal import terminal
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.dictionary import columns
from aftersun.inventory.store.file import Inventory
from aftersun.model.change import severity_order
from aftersun.scoring.run.site_detail import CloserLook, look_closer
from aftersun.scoring.value.words import EVERY_YEAR

DRIVERS_SHOWN = 3  # of each retrofit; JSON has all


def explain_as_data(inventory: Path, site_id: str, closer: bool) -> dict[str, Any]:
    """Return everything the last run knows of one site, for another program; ``closer`` adds drivers and questions."""
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        data: dict[str, Any] = {
            "run_id": view.run.run_id,
            "currency": view.currency,
            "facts": dict(view.facts(site_id)),
            "arrays": _records(view.arrays(site_id)),
            "call": {name: _plain(value) for name, value in view.call_of(site_id).items()},
        }
        for table in (
            "site_energy",
            "site_loss",
            "site_evidence",
            "reading_finding",
            "ranking",
            "offer_member",
            "question",
            "cost_item",
            "cash_flow",
            "safety_note",
        ):
            data[table] = _records(view.table(table, site_id))
        data["claims"] = _records(view.table("run_claim"))
        look = _look(opened, view, site_id) if closer else None
        if look is not None:
            data |= {"drivers": _records(look.drivers), "questions": _records(look.questions)}
        return data


def show_explanation(inventory: Path, site_id: str, closer: bool) -> None:
    """Print one site: facts, energy, every retrofit with its costs, claims and safety notes, and the verdicts.

    ``closer`` adds what is not stored but computed now: what moves each result most, and what to ask.
    """
    with Inventory.open(inventory, read_only=True) as opened:
        view = RunView(opened)
        _facts(view, site_id)
        _energy(view, site_id)
        look = _look(opened, view, site_id) if closer else None
        _questions(view, look)
        _together(view, site_id)
        _retrofits(view, site_id, look)


def _look(opened: Inventory, view: RunView, site_id: str) -> CloserLook | None:
    view.facts(site_id)  # there is such a site
    with terminal.progress("looking closer") as progress:
        return look_closer(opened, view.run, site_id, progress)


def _questions(view: RunView, look: CloserLook | None) -> None:
    """Print what to ask: only what could turn the advice on some retrofit."""
    if look is None or look.questions.empty:
        return
    titles = view.titles()
    terminal.heading("Worth asking: the answer could turn the advice")
    for question, turned in look.questions.groupby("question", sort=False):
        terminal.paragraph(str(question), hang=2)
        for row in turned.to_dict("records"):
            terminal.paragraph(
                f"{titles.get(row['retrofit'], row['retrofit'])}: worth it if {row['worth_if']} (up to "
                f"{row['most']:,.0f} {view.currency}), not if {row['not_if']}.",
                indent=2,
                hang=2,
            )


def _together(view: RunView, site_id: str) -> None:
    """Print the sets of retrofits that are worth more in one visit, and what each member adds."""
    offers, members, titles = view.table("offer", site_id), view.table("offer_member", site_id), view.titles()
    for offer in offers.sort_values("npv", ascending=False).to_dict("records"):
        mine = members[members["offer"] == offer["offer"]]
        if len(mine) < 2:
            continue
        terminal.heading("In one visit, with one way up")
        terminal.paragraph(
            f"{' and '.join(titles.get(name, name) for name in mine['retrofit'])}: costs {offer['upfront']:,.0f} "
            f"{view.currency} together, net present value {offer['npv']:,.0f} {view.currency}."
        )
        if not pd.isna(offer["npv_p90"]):
            sure = sureness({str(name): value for name, value in offer.items()}, view.currency)
            terminal.paragraph(f"{sure[0].upper()}{sure[1:]}.")
        rows = [
            [titles.get(row["retrofit"], row["retrofit"]), f"{row['npv_alone']:,.0f}", f"{row['npv_added']:,.0f}"]
            for row in mine.to_dict("records")
        ]
        terminal.table(["member", "worth alone", "adds, given the others"], rows, "<>>", indent=2)
        terminal.paragraph("The safety notes of each member stand below with the retrofit itself.")


def _drivers(look: CloserLook | None, retrofit: str, stored_npv: float, currency: str) -> None:
    """Print the numbers that move a retrofit most, each alone from its low to its high."""
    if look is None:
        return
    mine = look.drivers[look.drivers["retrofit"] == retrofit]
    moved = mine[(mine["npv_high"] - mine["npv_low"]).abs() >= 1].head(DRIVERS_SHOWN)
    if moved.empty:
        return
    rows = [
        [
            _words(row["name"]),
            f"{row['low']:g} .. {row['high']:g} {row['unit']}",
            f"{row['npv_low']:,.0f} .. {row['npv_high']:,.0f}",
            f"{row['flips_at']:.3g}" if row["turns"] else "",
        ]
        for row in moved.to_dict("records")
    ]
    terminal.table(["moved most by", "low .. high", f"worth, {currency}", "turns at"], rows, "<<>>", indent=2)
    if abs(look.npv.get(retrofit, stored_npv) - stored_npv) > 0.005 * max(abs(stored_npv), 1):
        terminal.paragraph(
            "Facts or retrofits have changed since the run: it would be worth "
            f"{look.npv[retrofit]:,.0f} {currency} now. Rank again.",
            indent=2,
        )


def _facts(view: RunView, site_id: str) -> None:
    facts = view.facts(site_id)
    call = view.call_of(site_id)
    terminal.heading(f"Site {site_id}")
    if pd.isna(call["position"]):
        terminal.paragraph(f"Not on the call list: {call['excluded_reason']}.")
    else:
        terminal.paragraph(f"Number {call['position']} on the call list.")
    tell = view.to_tell()
    for danger in tell[tell["site_id"] == site_id].to_dict("records"):
        terminal.paragraph(f"Known danger, tell the owner: {danger['text']} Who: {danger['who']}.", hang=2)
    for line in view.replaced_by_company():
        terminal.paragraph(line, hang=2)
    known = [column for column in columns("site") if column.name in facts and column.name != "site_id"]
    terminal.paragraph("; ".join(f"{_words(c.name)} {_value(facts[c.name])}" for c in known) + ".")
    unknown = [_words(column.name) for column in columns("site") if column.name not in facts]
    if unknown:
        terminal.paragraph(f"Not known: {', '.join(unknown)}.")
    for array in view.arrays(site_id).to_dict("records"):
        terminal.paragraph(
            f"Array {array['array_id']}: {array['dc_rating_kw']:g} kW at {array['tilt_deg']:g} degrees tilt, facing "
            f"{array['azimuth_deg']:g} degrees, {_value(array['mounting']) or 'mounting not known'}."
        )


def _energy(view: RunView, site_id: str) -> None:
    table = view.table("site_energy", site_id)
    if table.empty:
        terminal.paragraph("This site could not be valued; see the reason above.")
        return
    row = table.iloc[0]
    terminal.heading("Energy of a typical year")
    terminal.paragraph(_weather(row))
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
    _meters(view, site_id)
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
    terminal.table(["step", "kWh", "share of light"], rows, "<>>")


def _meters(view: RunView, site_id: str) -> None:
    """Say what the site's own readings tell, and what is wrong with them."""
    for row in view.table("site_evidence", site_id).to_dict("records"):
        if pd.isna(row["factor"]):
            text = f"Meter readings of {row['years_of_data']:.1f} years do not tell how the system does."
        else:
            text = (
                f"Meter readings of {row['years_of_data']:.1f} years: {100 * row['factor']:.0f} % of what the model "
                f"expects, standard error {100 * row['factor_se']:.0f} %; the energy above is corrected by them."
            )
            if not pd.isna(row["shortfall"]) and row["shortfall"] > 0:
                text += f" At least {100 * row['shortfall']:.0f} % are missing beyond any error: find out why."
        if not pd.isna(row["trend_low"]) and (row["trend_low"] > 0 or row["trend_high"] < 0):
            text += f" Output changes by {100 * row['trend_per_year']:+.1f} % a year."
        terminal.paragraph(text)
        if _value(row["remark"]):
            terminal.paragraph(f"Not told by them: {row['remark']}.")
    for finding in view.table("reading_finding", site_id).to_dict("records"):
        terminal.paragraph(f"Readings, {finding['meter']}: {finding['text']} {finding['what_to_do']}", hang=2)


def _weather(row: pd.Series) -> str:
    """Say which weather the energy was computed with and how far it can be trusted."""
    sure = f"Standard deviation of the year's irradiation {100 * row['weather_sd_share']:.0f} %."
    if row["weather_basis"] == "normals":
        return f"Weather: a year made from the built-in climate normals of the place ({row['station_id']}). {sure}"
    height = row["height_difference_m"]
    apart = "" if pd.isna(height) else f", {abs(height):.0f} m {'higher' if height > 0 else 'lower'}"
    far = " That is far; the weather of a nearer station would be surer." if _value(row["remark"]) else ""
    return f"Weather: station {row['station_id']}, {row['distance_km']:.0f} km away{apart}. {sure}{far}"


def _retrofits(view: RunView, site_id: str, look: CloserLook | None) -> None:
    ranking = view.table("ranking", site_id)
    if ranking.empty:
        return
    costs, notes = view.table("cost_item", site_id), view.table("safety_note", site_id)
    claims, assumed, titles = view.table("run_claim"), view.table("run_assumption"), view.titles()
    terminal.heading(f"Retrofits, best first ({view.currency}, tax included)")
    shown: set[str] = set()
    for row in ranking.sort_values("rank", na_position="last").to_dict("records"):
        mine = row["retrofit"]
        worth = "" if pd.isna(row["npv"]) else f", net present value {row['npv']:,.0f} {view.currency}"
        terminal.result()
        terminal.paragraph(f"{titles.get(mine, mine)}: {row['status']}{worth}", hang=2)
        terminal.paragraph(row["reason"], indent=2)
        if not pd.isna(row["npv"]):
            terminal.paragraph(_measures(row), indent=2)
        if not pd.isna(row["npv_p90"]):
            sure = sureness({str(name): value for name, value in row.items()}, view.currency)
            terminal.paragraph(f"{sure[0].upper()}{sure[1:]}.", indent=2)
        _cost_table(costs[costs["retrofit"] == mine])
        _drivers(look, mine, row["npv"], view.currency)
        for claim in claims[claims["retrofit"] == mine].to_dict("records"):
            terminal.paragraph(f"The trade says: {claim['text']} ({claim['source']})", indent=2, hang=2)
        replaced = assumed[(assumed["retrofit"] == mine) & (assumed["overridden"].fillna("") != "")]
        for item in replaced.to_dict("records"):
            terminal.paragraph(
                f"Assumption replaced {item['overridden']}: {_words(item['name'])} {item['used']:g} {item['unit']} "
                f"instead of {item['mode']:g}.",
                indent=2,
                hang=2,
            )
        _safety(notes[notes["retrofit"] == mine], shown)
    terminal.result()
    terminal.paragraph("Local codes and licensed practice come first; the safety notes replace neither.")


def _safety(notes: pd.DataFrame, shown: set[str]) -> None:
    """Print the notes of one retrofit, worst first; a text that stands above already is named by its id."""
    ordered = sorted(notes.to_dict("records"), key=lambda note: severity_order(note["severity"]))
    for note in ordered:
        if note["note_id"] not in shown:
            terminal.paragraph(
                f"{note['severity'].upper()} [{note['note_id']}] {note['text']} Who: {note['who']}.", indent=2, hang=2
            )
    again = [note["note_id"] for note in ordered if note["note_id"] in shown]
    if again:
        terminal.paragraph(f"Safety, as above: {', '.join(again)}.", indent=2, hang=2)
    shown.update(note["note_id"] for note in ordered)


def _cost_table(items: pd.DataFrame) -> None:
    """Print what it takes once and what changes every year; a gain carries a plus."""
    rows = []
    for item in items.to_dict("records"):
        yearly = item["note"].startswith(EVERY_YEAR)
        rows.append(
            [
                "every year" if yearly else "once",
                f"{item['kind']}: {_words(item['item'])}",
                f"{item['quantity']:,.3g}",
                item["unit"],
                f"{'+' if item['kind'].startswith('avoided') else ''}{item['price']:,.0f}",
                item["note"].removeprefix(EVERY_YEAR).removeprefix("; "),
            ]
        )
    if rows:
        terminal.table(["when", "item", "quantity", "unit", "price", "note"], rows, "<<><><", indent=2)


def _measures(row: Mapping[Hashable, Any]) -> str:
    def years(value: Any) -> str:
        if pd.isna(value):
            return "never"
        return "over 100 years" if value > 100 else f"{value:.1f} years"

    water = row["to_water_kwh"]
    more = f" {water:,.0f} kWh a year more go to the hot-water store." if not pd.isna(water) and water >= 0.5 else ""
    ratio = "none" if pd.isna(row["sir"]) else f"{row['sir']:.2f}"
    simple, discounted = years(row["simple_payback_years"]), years(row["discounted_payback_years"])
    return (
        f"Generation changes by {row['energy_gain_kwh']:+,.0f} kWh a year when new.{more} Payback {simple} simple, "
        f"{discounted} discounted; savings-to-investment ratio {ratio}."
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

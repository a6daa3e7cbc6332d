"""Prints everything a stored run knows of one site."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from aftersun import wording
from aftersun.cli.call_list import in_full, show_notes, sureness
from aftersun.cli.terminal import amount, cell, in_words, money, money_range, records, terminal
from aftersun.documents.call_rows import worst_first
from aftersun.documents.run_view import LEAST_KWH, RunView
from aftersun.inventory.store.dictionary import columns
from aftersun.model.change import GAIN_KINDS
from aftersun.model.codes import OFFERED, Status, Untold
from aftersun.model.figures import ENGLISH
from aftersun.model.output import Price

if TYPE_CHECKING:
    from aftersun.scoring.run.site_detail import CloserLook

DRIVERS_SHOWN = 3  # of each retrofit; JSON has all
_MAY_BE_DONE = (*OFFERED, Status.ASK_FIRST, Status.SAFETY_REMEDIAL)
_TABLES = (
    "site_energy",
    "site_loss",
    "site_evidence",
    "reading_finding",
    "offer_member",
    "question",
    "cost_item",
    "cash_flow",
    "safety_note",
)
_ENERGY = {
    "generated": "generated_kwh",
    "used on site": "used_kwh",
    "to hot water": "to_water_kwh",
    "exported": "exported_kwh",
    "curtailed": "curtailed_kwh",
    "bought": "imported_kwh",
}


def report_as_data(view: RunView, site_id: str, look: CloserLook | None) -> dict[str, Any]:
    """Return everything the run knows of one site, for another program; with a closer ``look``, what it found."""
    ranking = view.table("ranking", site_id)
    reasons = [wording.reason_text(row, view.currency) for row in records(ranking)]
    return {
        "run_id": view.run_id,
        "currency": view.currency,
        "facts": view.facts(site_id),
        "arrays": view.arrays(site_id),
        "call": view.call_of(site_id),
        **{table: view.table(table, site_id) for table in _TABLES},
        "ranking": ranking.assign(reason=reasons),
        "claims": view.table("run_claim"),
        **({} if look is None else {"drivers": look.drivers, "questions": look.questions}),
    }


def show_verdicts(view: RunView, site_id: str) -> None:
    """Print one site in short: a line a retrofit, what to ask, and the safety notes of what may be done there."""
    ranking, notes, titles = view.table("ranking", site_id), view.table("safety_note", site_id), view.titles()
    _standing(view, site_id)
    if ranking.empty:
        return
    ordered = records(ranking.sort_values("rank", na_position="last"))
    items = view.table("cost_item", site_id)
    charged = items[items["every_year"].eq(True) & ~items["kind"].isin(GAIN_KINDS)]
    charges, prices = charged.groupby("retrofit")["price"].sum(), view.prices([site_id])
    terminal.result("")
    terminal.table(
        ["retrofit", "advice", "price", f"NPV, {view.currency}", "80 % range", "payback"],
        [
            [
                titles.get(row["retrofit"], row["retrofit"]),
                wording.status_text(row["status"]),
                *(
                    ["", "", "", ""]
                    if pd.isna(row["npv"])
                    else _figures(row, prices[site_id, row["retrofit"]], charges.get(row["retrofit"], 0.0))
                ),
            ]
            for row in ordered
        ],
        "<<>>>>",
        cut=True,
    )
    for row in ordered:
        price, charge = prices.get((site_id, row["retrofit"])), charges.get(row["retrofit"], 0.0)
        if price and (price.if_needed or charge):
            more = [f"{amount(price.if_needed)} if needed ({', '.join(map(in_words, price.items))})"] * bool(
                price.items
            )
            more += [f"{amount(charge)} a year"] if charge else []
            terminal.paragraph(f"+ {titles.get(row['retrofit'], row['retrofit'])}: {', '.join(more)}.", hang=2)
    offers = view.table("offer", site_id)
    for offer in records(offers[offers["offer"].map(lambda name: len(view.members(name)) > 1)]):
        together = " and ".join(titles.get(name, name) for name in view.members(offer["offer"]))
        upfront, npv = amount(offer["upfront"]), money(offer["npv"])
        terminal.say("site.together", retrofits=together, upfront=upfront, npv=npv, currency=view.currency)
    for question in view.to_ask(site_id):
        terminal.paragraph(f"ask: {question}", hang=5)
    may_be_done = ranking.loc[ranking["status"].isin(_MAY_BE_DONE), "retrofit"]
    here = notes["retrofit"].isin(may_be_done)
    show_notes(notes[here].drop_duplicates("note_id"), "Safety notes of what may be done here")
    others = notes.loc[~notes["note_id"].isin(notes.loc[here, "note_id"]), "note_id"].drop_duplicates()
    if len(others):
        terminal.say("site.other_notes", notes=", ".join(others))
    terminal.say("site.in_full", site=site_id)


def show_report(view: RunView, site_id: str, look: CloserLook | None, retrofits: Collection[str]) -> None:
    """Print one site in full: facts, energy, and of these retrofits costs, claims, safety notes and verdicts.

    A closer ``look`` adds what is not stored but computed now: what moves each result most, and what to ask.
    """
    _facts(view, site_id)
    _energy(view, site_id)
    _questions(view, look)
    _together(view, site_id)
    _retrofits(view, site_id, look, retrofits)


def _questions(view: RunView, look: CloserLook | None) -> None:
    """Print what to ask: only what could turn the advice on some retrofit."""
    if look is None or look.questions.empty:
        return
    titles = view.titles()
    terminal.heading("What to ask: the answer could turn the advice")
    for question, turned in look.questions.groupby("question", sort=False):
        terminal.paragraph(str(question), hang=2)
        for row in records(turned):
            figures = {**row, "retrofit": titles.get(row["retrofit"], row["retrofit"]), "most": amount(row["most"])}
            terminal.say("site.turns", indent=2, hang=2, currency=view.currency, **figures)


def _together(view: RunView, site_id: str) -> None:
    """Print the sets of retrofits that bring more in one visit, and what each member adds."""
    offers, members, titles = view.table("offer", site_id), view.table("offer_member", site_id), view.titles()
    for offer in records(offers.sort_values("npv", ascending=False)):
        mine = members[members["offer"] == offer["offer"]]
        if len(mine) < 2:
            continue
        terminal.heading("In one visit, with one way up")
        together = " and ".join(titles.get(name, name) for name in mine["retrofit"])
        upfront, npv = amount(offer["upfront"]), money(offer["npv"])
        terminal.say("site.together", retrofits=together, upfront=upfront, npv=npv, currency=view.currency)
        _sure(offer, view.currency)
        rows = [
            [titles.get(row["retrofit"], row["retrofit"]), amount(row["npv_alone"]), amount(row["npv_added"])]
            for row in records(mine)
        ]
        terminal.table(["member", "NPV alone", "adds, given the others"], rows, "<>>", indent=2)
        terminal.say("site.notes_below")


def _drivers(look: CloserLook | None, retrofit: str, usual: float, currency: str) -> None:
    """Print the numbers that move a retrofit most, each alone from its low to its high."""
    if look is None or pd.isna(usual):  # not valued in the run, as what is fitted already
        return
    moved = look.moved_most_by(retrofit).head(DRIVERS_SHOWN)
    if moved.empty:
        return
    rows = [
        [
            in_words(row["name"]),
            f"{row['low']:g} to {row['high']:g} {row['unit']}",
            money_range(row["npv_low"], row["npv_high"]),
            f"{row['flips_at']:.3g}" if row["turns"] else "",
        ]
        for row in records(moved)
    ]
    terminal.say("site.usual", indent=2, npv=amount(usual), currency=currency)
    terminal.table(
        ["most sensitive to", "from low to high", f"NPV, {currency}", "break-even at"], rows, "<<>>", indent=2
    )
    if look.has_changed(retrofit, usual):
        terminal.say("site.changed", indent=2, npv=amount(look.npv[retrofit]), currency=currency)


def _figures(row: Mapping[Any, Any], price: Price, charge: float) -> list[str]:
    """Return price, NPV, range and discounted payback of a retrofit as cells; a plus says that more is paid besides."""
    asked = amount(price.decided) + ("+" if price.if_needed or charge else "")
    drawn = "" if pd.isna(row["npv_p90"]) else money_range(row["npv_p90"], row["npv_p10"])
    return [asked, money(row["npv"]), drawn, _payback(row, "discounted")]


def _standing(view: RunView, site_id: str) -> None:
    """Print where a site stands on the call list, and the dangers known there."""
    call = view.call_of(site_id)
    terminal.heading(f"Site {site_id}")
    if pd.isna(call["position"]):
        terminal.paragraph(
            f"Not on the call list: {wording.not_called_text(call['excluded_reason'], call['excluded_detail'])}."
        )
    else:
        terminal.paragraph(f"Number {call['position']} on the call list.")
    tell = view.to_tell()
    for danger in records(tell[tell["site_id"] == site_id]):
        terminal.paragraph(f"Known hazard, notify the owner: {danger['text']} Who: {danger['who']}.", hang=2)


def _facts(view: RunView, site_id: str) -> None:
    facts = view.facts(site_id)
    _standing(view, site_id)
    for line in view.replaced_by_company():
        terminal.paragraph(line, hang=2)
    known = [column for column in columns("site") if column.name in facts and column.name != "site_id"]
    terminal.paragraph("; ".join(f"{in_words(c.name)} {cell(facts[c.name])}" for c in known) + ".")
    unknown = [in_words(column.name) for column in columns("site") if column.name not in facts]
    if unknown:
        terminal.paragraph(f"Not known: {', '.join(unknown)}.")
    for array in records(view.arrays(site_id)):
        terminal.say(
            "site.array",
            array_id=array["array_id"],
            rating=_known(array["dc_rating_kw"], "{:g} kW", "rating not known (reckoned)"),
            tilt=_known(array["tilt_deg"], "{:g} degrees tilt", "tilt not known (assumed)"),
            facing=_known(
                array["azimuth_deg"], "facing {:g} degrees", "direction not known (taken towards the equator)"
            ),
            mounting=cell(array["mounting"]) or "mounting not known",
        )


def _known(value: float | None, form: str, otherwise: str) -> str:
    return otherwise if value is None or pd.isna(value) else form.format(value)


def _energy(view: RunView, site_id: str) -> None:
    table = view.table("site_energy", site_id)
    if table.empty:
        terminal.paragraph("This site could not be valued; see the reason above.")
        return
    row = table.iloc[0]
    terminal.heading("Energy of a typical year")
    terminal.paragraph(_weather(row) + _height(view.height_of_place(site_id)))
    terminal.table(["", "kWh a year"], [[label, amount(row[name])] for label, name in _ENERGY.items()], "<>")
    terminal.result(f"Yield {amount(row['yield_kwh_per_kw'])} kWh per kW installed.")
    _meters(view, site_id, row)
    terminal.heading("Where the energy goes, kWh a year")
    light, *steps, generated = records(view.losses(site_id))
    rows = [
        [
            wording.loss_text(step["step"]),
            amount(-step["kwh"]),
            ENGLISH.percent(-step["kwh"] / light["kwh"], 1),
        ]
        for step in steps
    ]
    rows.insert(0, ["in-plane irradiation at the rated efficiency", amount(light["kwh"]), ""])
    rows.append(["generated", amount(generated["kwh"]), ""])
    terminal.table(["step", "kWh", "share"], rows, "<>>")


def _meters(view: RunView, site_id: str, energy: pd.Series) -> None:
    """Say what the site's own readings tell, and what is wrong with them."""
    for row in records(view.table("site_evidence", site_id)):
        if pd.isna(row["factor"]):
            text = wording.say("site.readings_useless", **row)
        else:
            applied = not {Untold.BEYOND_BOUNDS, Untold.TOO_FEW} & set(row["remarks"])
            corrected = wording.say("site.corrected") if applied else ""
            figures = {"percent": 100 * row["factor"], "error": 100 * row["factor_se"], "corrected": corrected}
            text = wording.say("site.readings", **row, **figures)
            if not pd.isna(row["shortfall"]) and row["shortfall"] > 0:
                text += wording.say("site.missing", percent=100 * row["shortfall"])
        if not pd.isna(row["trend_low"]) and (row["trend_low"] > 0 or row["trend_high"] < 0):
            figures = {"percent": row["trend_per_year"], "low": row["trend_low"], "high": row["trend_high"]}
            text += wording.say("site.trend", **{name: 100 * share for name, share in figures.items()})
        terminal.paragraph(text)
        metered = [row[f"metered_{meter}_kwh"] for meter in ("import", "export")]
        if not pd.isna(metered).all():
            bought, sent = (wording.say("site.not_metered") if pd.isna(one) else amount(one) for one in metered)
            computed = {name: amount(energy[f"{name}_kwh"]) for name in ("imported", "exported")}
            terminal.paragraph(wording.say("site.balance", bought=bought, sent=sent, **computed))
        if changed := wording.changed_text(row):
            terminal.paragraph(changed)
        if still := wording.standstill_text(row, view.currency):
            terminal.paragraph(still)
        if untold := wording.untold_text(row):
            terminal.paragraph(f"What they do not show: {untold}.")
    for finding in records(view.table("reading_finding", site_id)):
        terminal.paragraph(f"Readings, {finding['meter']}: {wording.finding_text(finding)}", hang=2)


def _weather(row: pd.Series) -> str:
    """Say which weather the energy was computed with and how far it can be trusted."""
    figures = {**row, "deviation": wording.say("site.deviation", percent=100 * row["weather_sd_share"])}
    if row["weather_basis"] == "normals":
        return wording.say("site.normals", **figures)
    height = row["height_difference_m"]
    apart = "" if pd.isna(height) else f", {abs(height):.0f} m {'higher' if height > 0 else 'lower'}"
    far = wording.say("site.far") if wording.station_text(row.to_dict()) else ""
    return wording.say("site.station", **figures, apart=apart, far=far)


def _height(of_place: float | None) -> str:
    """Say which height the air's temperature is brought to where nobody has told that of the site."""
    if of_place is None:
        return ""
    return wording.say("site.no_height" if pd.isna(of_place) else "site.height_of_place", height_m=of_place)


def _retrofits(view: RunView, site_id: str, look: CloserLook | None, retrofits: Collection[str]) -> None:
    ranking = view.table("ranking", site_id)
    ranking = ranking[ranking["retrofit"].isin(retrofits)]
    if ranking.empty:
        return
    costs, notes = view.table("cost_item", site_id), view.table("safety_note", site_id)
    claims, assumed, titles = view.table("run_claim"), view.table("run_assumption"), view.titles()
    terminal.heading(f"Retrofits, best first ({view.currency}, tax included)")
    shown: set[str] = set()
    for row in records(ranking.sort_values("rank", na_position="last")):
        mine = row["retrofit"]
        _verdict(row, titles.get(mine, mine), view.currency)
        _cost_table(costs[costs["retrofit"] == mine])
        _drivers(look, mine, row["npv_usual"], view.currency)
        for claim in records(claims[claims["retrofit"] == mine]):
            terminal.paragraph(f"The trade says: {claim['text']} ({claim['source']})", indent=2, hang=2)
        for item in records(assumed[(assumed["retrofit"] == mine) & assumed["replaced"].fillna(False)]):
            why = wording.replaced_text(cell(item["replaced_by"]), cell(item["replaced_why"]))
            terminal.say("site.replaced", indent=2, hang=2, **item, why=why, what=in_words(item["name"]))
        _safety(notes[notes["retrofit"] == mine], shown)
    terminal.result("")
    terminal.say("site.local_first")


def _verdict(row: Mapping[Any, Any], title: str, currency: str) -> None:
    """Print what is advised of a retrofit, why, its measures and how sure they are."""
    worth = "" if pd.isna(row["npv"]) else f", net benefit {money(row['npv'])} {currency}"
    terminal.result("")
    terminal.paragraph(f"{title}: {wording.status_text(row['status'])}{worth}", hang=2)
    terminal.paragraph(wording.reason_text(row, currency), indent=2)
    if worth:
        terminal.paragraph(_measures(row), indent=2)
    _sure(row, currency, indent=2)


def _safety(notes: pd.DataFrame, shown: set[str]) -> None:
    """Print the notes of one retrofit, worst first; a text that is above already is named by its id."""
    ordered = worst_first(notes)
    for note in ordered:
        if note["note_id"] not in shown:
            terminal.paragraph(in_full(note), indent=2, hang=2)
    again = [note["note_id"] for note in ordered if note["note_id"] in shown]
    if again:
        terminal.paragraph(f"Safety, as above: {', '.join(again)}.", indent=2, hang=2)
    shown.update(note["note_id"] for note in ordered)


def _cost_table(items: pd.DataFrame) -> None:
    """Print what it takes once and what changes every year; a gain carries a plus."""
    rows = [
        [
            wording.when_text(item),
            f"{item['kind']}: {in_words(item['item'])}",
            f"{item['quantity']:,.3g}",
            item["unit"],
            f"{'+' if item['kind'] in GAIN_KINDS else ''}{amount(item['price'])}",
            wording.note_text(item),
        ]
        for item in records(items)
    ]
    if rows:
        terminal.table(["when", "item", "quantity", "unit", "price", "note"], rows, "<<><><", indent=2)


def _sure(row: Mapping[Any, Any], currency: str, indent: int = 0) -> None:
    """Print how sure a net present value is, where that was drawn."""
    if not pd.isna(row["npv_p90"]):
        text = sureness(row, currency)
        terminal.paragraph(f"{text[0].upper()}{text[1:]}.", indent=indent)


def _measures(row: Mapping[Any, Any]) -> str:
    water = row["to_water_kwh"]
    return wording.say(
        "site.measures",
        energy_gain_kwh=row["energy_gain_kwh"],
        water=wording.say("site.to_water", kwh=amount(water)) if not pd.isna(water) and water >= LEAST_KWH else "",
        simple=_payback(row, "simple"),
        discounted=_payback(row, "discounted"),
        ratio="none" if pd.isna(row["sir"]) else f"{row['sir']:.2f}",
    )


def _payback(row: Mapping[Any, Any], kind: str) -> str:
    payback = row[f"{kind}_payback_years"]
    if pd.isna(payback) and not row["upfront"] > 0:
        return "none, without a price"
    return "never" if pd.isna(payback) else "over 100 years" if payback > 100 else f"{payback:.1f} years"

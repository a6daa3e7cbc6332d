"""What the page of one site shows: facts, energy, losses, retrofits, offers and questions of all sites, packed."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import pandas as pd

from aftersun import api
from aftersun_reports.notes import NotesOfRun
from aftersun_reports.portfolio_page.coding import by_site, coded, packed
from aftersun_reports.portfolio_page.sites import Sites, contact
from aftersun_reports.shared import titled

_HIDDEN = {"site_id", "customer_id", "latitude", "longitude"}  # shown elsewhere, or nobody's business here
_MONTHLY = ("generated_kwh", "used_kwh", "to_water_kwh", "exported_kwh", "imported_kwh")
_LEAST_KWH = 0.5  # losses below it are no step of the chart
_WATTS_STEP, _KWH_STEP = 1.0, 0.1
_ENDS = ("in_plane_kwh", "generated_kwh")
_AVERAGE = " *"  # after the label of a loss that is an average; the page says what it means


def as_data(run: api.RunView, sites: Sites, notes: NotesOfRun) -> dict[str, Any]:
    """Return everything of the pages of single sites; sites in the order of ``sites.ids``."""
    ids = sites.ids
    ranking = run.table("ranking").sort_values(["site_id", "rank"], kind="stable", na_position="last")
    question = run.table("question").sort_values(["site_id", "value_of_phone"], ascending=[True, False], kind="stable")
    loss = run.table("site_loss").sort_values(["site_id", "position"], kind="stable")
    loss = loss[(loss["kwh"].abs() >= _LEAST_KWH) | loss["step"].isin(_ENDS)]
    offer = run.table("offer").sort_values(["site_id", "npv"], ascending=[True, False], kind="stable")
    energy, evidence, finding = run.table("site_energy"), run.table("site_evidence"), run.table("reading_finding")
    call, said, titles = run.table("call"), run.call_texts(), run.titles()

    def told(row: Mapping[Any, Any]) -> str:
        texts = api.changed_text(row), api.standstill_text(row, run.currency), api.untold_text(row)
        return " ".join(filter(None, texts))

    def table(name: str, frame: pd.DataFrame, **made: Any) -> dict[str, Any]:
        return by_site(frame.assign(**made), ids, **_labels()["tables"][name])

    return {
        "facts": _facts(run, sites),
        # without their own numbers, which may tell whose they are
        "arrays": table("arrays", run.arrays()),
        "energy": table("energy", energy, remark=_said(api.station_text, energy)),
        "evidence": table("evidence", evidence, remark=_said(told, evidence)),
        "findings": table("findings", finding, text=_said(api.finding_text, finding)),
        "losses": table("losses", loss, step=_steps(loss, sites)),
        "retrofits": table(
            "retrofits",
            ranking,
            status=[api.status_text(code) for code in ranking["status"]],
            reason=[api.reason_text(row, run.currency) for row in ranking.to_dict("records")],
            notes=[notes.set_of.get(pair, -1) for pair in zip(ranking["site_id"], ranking["retrofit"], strict=True)],
        ),
        "offers": table("offers", offer, told=offer["must_call"].fillna(False).astype(bool)),
        "members": table("members", run.table("offer_member")),
        "questions": table("questions", question, retrofits=[titled(titles, names) for names in question["retrofits"]]),
        "calls": table(
            "calls",
            call,
            excluded_reason=contact(call),
            sentence=[said.get(site, "") for site in call["site_id"]],
        ),
        "picture": _picture(run, ids),
        **_months(run, sites),
    }


def _said(text: Callable[[Mapping[Any, Any]], str], frame: pd.DataFrame) -> list[str]:
    return [text(row) for row in frame.to_dict("records")]


def _facts(run: api.RunView, sites: Sites) -> list[dict[str, Any]]:
    """Return the facts column by column with label and unit, each coded; "" = not known."""
    result = []
    for name in sites.facts.columns:
        if name in _HIDDEN or (name == "tariff_id" and not run.personal):
            continue
        label, unit = _labels()["facts"].get(name, (_words(str(name)), ""))
        column = sites.facts[name]
        numeric = pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)
        if pd.api.types.is_datetime64_any_dtype(column):
            # without names a day is known to the year only
            written = api.Figures.of(run.letterhead).day if run.personal else lambda day: str(day.year)
            values = [written(day) if pd.notna(day) else "" for day in column]
        elif numeric:
            values = ["" if pd.isna(value) else f"{float(value):.10g}" for value in column]
        else:
            values = [_labels()["values"].get(value, value) if isinstance(value, str) else value for value in column]
        result.append({"label": label, "unit": unit, "number": numeric, **coded(values)})
    return result


def _steps(loss: pd.DataFrame, sites: Sites) -> list[str]:
    """Return the labels of the steps, with a mark where a loss is an average and nobody knows whether it is there."""
    by_chance = _labels()["by_chance"]
    known = {fact: sites.facts[fact].notna().to_dict() for fact in by_chance.values()}
    named = []
    for site, step in zip(loss["site_id"], loss["step"], strict=True):
        average = step in by_chance and not known[by_chance[step]].get(site, False)
        named.append(_words(api.loss_text(step)) + (_AVERAGE if average else ""))
    return named


def _words(name: str) -> str:
    """Return the name of a column as words, for one that has no label."""
    plain = name.replace("_", " ")
    return plain[:1].upper() + plain[1:]


def _picture(run: api.RunView, ids: Sequence[str]) -> dict[str, Any]:
    table = run.table("site_picture")
    watts = dict(zip(table["site_id"], table["mean_w"], strict=True))
    return packed([_row(watts.get(site)) for site in ids], 288, _WATTS_STEP)


def _row(values: Any) -> Any:
    return None if values is None or (pd.api.types.is_scalar(values) and pd.isna(values)) else values


def _months(run: api.RunView, sites: Sites) -> dict[str, Any]:
    """Return the months of each site today and with its best offer: 12 months, each with the columns of _MONTHLY."""
    table = run.table("offer_month").sort_values(["site_id", "offer", "month"], kind="stable")
    keys = list(zip(table["site_id"][::12], table["offer"][::12].fillna(""), strict=True))
    values = table[list(_MONTHLY)].to_numpy(dtype=float).clip(min=0.0)
    rows = {key: values[12 * at : 12 * at + 12].ravel() for at, key in enumerate(keys)}
    best = sites.best["offer"].to_dict()
    return {
        "months": packed([rows.get((site, "")) for site in sites.ids], 60, _KWH_STEP),
        "offer_months": packed([rows.get((site, best.get(site))) for site in sites.ids], 60, _KWH_STEP),
    }


@cache
def _labels() -> Mapping[str, Mapping[str, Any]]:
    """Return the texts and columns of labels.toml."""
    return tomllib.loads(files(__package__).joinpath("labels.toml").read_text(encoding="utf-8"))

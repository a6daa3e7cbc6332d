"""What the page of one site shows: facts, energy, losses, retrofits, offers and questions of all sites, packed."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from aftersun import api
from aftersun_reports.notes import NotesOfRun
from aftersun_reports.portfolio_page import labels
from aftersun_reports.portfolio_page.coding import by_site, coded, packed
from aftersun_reports.portfolio_page.sites import Sites, not_called

_HIDDEN = {"site_id", "customer_id", "latitude", "longitude"}  # shown elsewhere, or nobody's business here
_MONTHLY = ("generated_kwh", "used_kwh", "to_water_kwh", "exported_kwh", "imported_kwh")
_LEAST_KWH = 0.5  # losses below it are no step of the chart
_WATTS_STEP, _KWH_STEP = 1.0, 0.1
_ENDS = ("in_plane_kwh", "generated_kwh")


def as_data(run: api.RunView, sites: Sites, notes: NotesOfRun) -> dict[str, Any]:
    """Return everything of the pages of single sites; sites in the order of ``sites.ids``."""
    ids = sites.ids
    ranking = run.table("ranking").sort_values(["site_id", "rank"], kind="stable", na_position="last")
    question = run.table("question").sort_values(["site_id", "value_of_phone"], ascending=[True, False], kind="stable")
    loss = run.table("site_loss").sort_values(["site_id", "position"], kind="stable")
    loss = loss[(loss["kwh"].abs() >= _LEAST_KWH) | loss["step"].isin(_ENDS)]
    energy, titles = run.table("site_energy"), run.titles()
    evidence, finding = run.table("site_evidence"), run.table("reading_finding")
    return {
        "facts": _facts(run, sites),
        "arrays": _arrays(run, ids),
        "energy": by_site(
            energy.assign(remark=[api.station_text(row) for row in energy.to_dict("records")]),
            ids,
            (
                *("generated_kwh", "used_kwh", "to_water_kwh", "exported_kwh", "curtailed_kwh", "imported_kwh"),
                *("yield_kwh_per_kw", "distance_km", "height_difference_m", "weather_sd_share"),
            ),
            ("station_id", "weather_basis"),
            ("remark",),
        ),
        "evidence": by_site(
            evidence.assign(remark=[api.untold_text(row) for row in evidence.to_dict("records")]),
            ids,
            ("factor", "factor_se", "shortfall", "trend_per_year", "trend_low", "trend_high", "years_of_data"),
            (),
            ("remark",),
        ),
        "findings": by_site(
            finding.assign(text=[api.finding_text(row) for row in finding.to_dict("records")]),
            ids,
            (),
            ("meter",),
            ("text",),
        ),
        "losses": by_site(loss.assign(step=_steps(loss, sites)), ids, ("kwh",), ("step",)),
        "retrofits": by_site(
            _in_words(run, ranking).assign(notes=_note_sets(ranking, notes)),
            ids,
            (
                *("npv", "npv_p90", "npv_p50", "npv_p10", "chance_npv_positive", "upfront", "first_year_saving"),
                *("energy_gain_kwh", "to_water_kwh", "discounted_payback_years", "notes"),
            ),
            ("retrofit", "status", "variant"),
            ("reason",),
        ),
        "offers": _offers(run, ids),
        "members": by_site(run.table("offer_member"), ids, ("npv_alone", "npv_added"), ("offer", "retrofit")),
        "questions": by_site(
            question.assign(
                retrofits=[", ".join(titles.get(name, name) for name in names) for names in question["retrofits"]]
            ),
            ids,
            ("chance_true", "value_if_known", "value_of_phone", "value_of_visit", "visit_cost"),
            ("question", "retrofits"),
        ),
        "calls": by_site(
            _calls(run), ids, ("position", "npv", "round"), ("retrofit", "excluded_reason"), ("sentence",)
        ),
        "picture": _picture(run, ids),
        **_months(run, sites),
    }


def _in_words(run: api.RunView, ranking: pd.DataFrame) -> pd.DataFrame:
    return ranking.assign(
        status=[api.status_text(code) for code in ranking["status"]],
        reason=[api.reason_text(row, run.currency) for row in ranking.to_dict("records")],
    )


def _calls(run: api.RunView) -> pd.DataFrame:
    """Return the table of calls with what to say on each, and why the others are none."""
    table, texts = run.table("call"), run.call_texts()
    said = [texts.get(site, "") for site in table["site_id"]]
    return table.assign(excluded_reason=not_called(table), sentence=said)


def _facts(run: api.RunView, sites: Sites) -> list[dict[str, Any]]:
    """Return the facts column by column with label and unit, each coded; "" = not known."""
    result = []
    for name in sites.facts.columns:
        if name in _HIDDEN or (name == "tariff_id" and not run.personal):
            continue
        label, unit = labels.fact(str(name))
        column = sites.facts[name]
        numeric = pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)
        if pd.api.types.is_datetime64_any_dtype(column):
            # without names a day is known to the year only
            written = api.Figures.of(run.letterhead).day if run.personal else lambda day: str(day.year)
            values = [written(day) if pd.notna(day) else "" for day in column]
        elif numeric:
            values = ["" if pd.isna(value) else f"{float(value):.10g}" for value in column]
        else:
            values = list(map(labels.value, column))
        result.append({"label": label, "unit": unit, "number": numeric, **coded(values)})
    return result


def _steps(loss: pd.DataFrame, sites: Sites) -> list[str]:
    """Return the labels of the steps, with a mark where a loss is an average and nobody knows whether it is there."""
    facts = sites.facts
    known = {name: facts[name].notna().to_dict() if name in facts else {} for name in labels.by_chance().values()}
    named = []
    for site, step in zip(loss["site_id"], loss["step"], strict=True):
        fact = labels.by_chance().get(step)
        average = fact is not None and not known[fact].get(site, False)
        named.append(labels.step(step) + (labels.AVERAGE if average else ""))
    return named


def _arrays(run: api.RunView, ids: Sequence[str]) -> dict[str, Any]:
    """Return the arrays without their own numbers, which may tell whose they are."""
    arrays = run.arrays()
    return by_site(
        arrays, ids, ("dc_rating_kw", "tilt_deg", "azimuth_deg", "module_count", "shading_pct"), ("mounting",)
    )


def _offers(run: api.RunView, ids: Sequence[str]) -> dict[str, Any]:
    table = run.table("offer").sort_values(["site_id", "npv"], ascending=[True, False], kind="stable")
    return by_site(
        table.assign(told=table["must_call"].fillna(False).astype(bool)),
        ids,
        ("npv", "npv_p90", "npv_p50", "npv_p10", "chance_npv_positive", "upfront", "first_year_saving", "years"),
        ("offer", "told"),
    )


def _note_sets(ranking: pd.DataFrame, notes: NotesOfRun) -> list[int]:
    pairs = zip(ranking["site_id"], ranking["retrofit"], strict=True)
    return [notes.set_of.get((str(site), str(retrofit)), -1) for site, retrofit in pairs]


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
    best = dict(zip(sites.best["site_id"], sites.best["offer"], strict=True))
    return {
        "months": packed([rows.get((site, "")) for site in sites.ids], 60, _KWH_STEP),
        "offer_months": packed(
            [rows.get((site, str(best[site]))) if site in best else None for site in sites.ids], 60, _KWH_STEP
        ),
    }

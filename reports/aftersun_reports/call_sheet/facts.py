"""The sheets on the run as a whole: the month, assumptions, claims, retrofits, and what the run was made from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from aftersun import api
from aftersun_reports.call_sheet.book import NOT_DRAWN, records_of
from aftersun_reports.call_sheet.calls import CallList
from aftersun_reports.call_sheet.layout import Made, Table, about_money, sheet, table
from aftersun_reports.shared import sites


def month(run: api.RunView) -> Table:
    """What the month holds, what the calls take of it, and how good the list is."""
    lines = []
    for plan in records_of(run.table("run_plan")):
        travel, paid = (_amount(plan[name]) for name in ("travel_cost", "travel_paid"))
        lines += [
            f"All calls together bring {_amount(plan['value'])} {run.currency} on average; of travel for {travel} "
            f"owners pay {paid}: {api.plan_text(plan['status'])}; a better list could bring "
            f"{api.ENGLISH.percent(plan['gap'], 1)} more at most.",
            f"A plain list by value for effort would bring {_amount(plan['greedy_value'])} {run.currency}.",
        ]
    lines += filter(None, [api.shortage_text(records_of(run.table("run_capacity")))])
    # binding = the next job does not fit
    made: Made = {"binding": (("binding",), {"yes": "no", "no": "yes"}.get), "name": (("name",), api.capacity_text)}
    return table(run, "month", run.table("run_capacity"), made, lines)


def assumptions(calls: CallList) -> Table:
    """Every number that was assumed, its range and source, and who of the company replaced it."""
    made: Made = {
        "retrofit": (("retrofit",), calls.title),
        "replaced": (("replaced", "replaced_by", "replaced_why"), _replaced_text),
    }
    return table(calls.run, "assumptions", calls.run.table("run_assumption"), made)


def claims(calls: CallList) -> Table:
    """What the trade promises of each retrofit; no figure of this workbook was made from it."""
    return table(calls.run, "claims", calls.run.table("run_claim"), {"retrofit": (("retrofit",), calls.title)})


def retrofits(run: api.RunView) -> Table:
    """The retrofits of the run, by the id that the call log knows them by."""
    return table(run, "retrofits", run.table("run_retrofit"))


def run_facts(run: api.RunView) -> Table:
    """What made this workbook: run, versions, inputs, failures, and what the company replaced."""
    return sheet(run, "run"), _run_rows(run)


def _run_rows(run: api.RunView) -> Iterator[Sequence[Any]]:
    made = run.made_from
    yield "run", "id", run.run_id, ""
    yield "run", "made at", f"{run.made_at:%Y-%m-%d %H:%M} UTC", ""
    yield "run", "as of", f"{run.as_of:%Y-%m-%d}", "the day that ages and prices are taken at"
    yield "run", "sites", str(made["sites"]), "that could be valued"
    yield "run", "seed", str(made["seed"]), "of the draws"
    yield "version", "program", str(made["program_version"]), ""
    for name, version in sorted(made["plugin_versions"].items()):
        yield "version", name, version, ""
    for name, value in sorted(made["input_hashes"].items()):
        yield "hash of an input", name, value, "changes when the input does"
    for failure in made["failures"]:
        yield "failure", failure["plugin"], failure.get("reason", ""), failure["during"]
    if not made["failures"]:
        yield "failure", "none", "every retrofit was calculated to the end", ""
    yield from _company_rows(run)
    yield from _replaced(run)
    yield from _result_rows(run)


def _company_rows(run: api.RunView) -> Iterator[Sequence[Any]]:
    identity = run.company.get("company", {})
    yield "company", "name", str(identity.get("name", "")), ""
    yield "company", "currency", run.currency, ""
    yield "company", "prices checked on", str(identity.get("price_date", "")), ""
    for name, value in run.company.get("money", {}).items():
        yield "company", str(name).replace("_", " "), f"{value:g}", about_money().get(str(name), "")


def _result_rows(run: api.RunView) -> Iterator[Sequence[Any]]:
    titles = run.titles()
    for row in records_of(run.table("run_value")):
        title = titles.get(row["retrofit"], row["retrofit"]) or "all best offers together"
        npv, p90, p10 = (_amount(row[name]) for name in ("npv", "npv_p90", "npv_p10"))
        remark = f"best offers of {sites(row['offers'])}, called or not"
        yield "net benefit", title, f"{npv} (P90 {p90}, P10 {p10}) {run.currency}", remark
    call = run.table("call")
    left = call.loc[call["position"].isna(), ["excluded_reason", "excluded_detail"]].fillna("")
    for code, detail, count in left.value_counts().reset_index().itertuples(index=False, name=None):
        yield "not called", api.not_called_text(code, detail) or "no reason stored", sites(count), ""
    for energy in run.table("site_energy").to_dict("records"):
        if why := api.station_text(energy):
            yield "less certain energy", str(energy["site_id"]), why, ""


def _replaced_text(replaced: str | None, who: str | None, why: str | None) -> str:
    return api.replaced_text(who, why) if replaced == "yes" else ""


def _replaced(run: api.RunView) -> Iterator[Sequence[Any]]:
    kind = "replaced by the company"
    rows: list[Sequence[Any]] = []
    free = ("who", "why") if run.personal else ()  # what somebody wrote freely may name people
    for section, what in (("system", "assumed of every system"), ("facts", "chance where not known")):
        for name, given in run.company.get(section, {}).items():
            why = "; ".join(str(given[part]) for part in free if given.get(part))
            rows.append((kind, f"{what}: {str(name).replace('_', ' ')}", f"{given['value']:g}", why))
    for row in records_of(run.table("run_assumption")):
        if why := _replaced_text(row["replaced"], row["replaced_by"], row["replaced_why"]):
            about = run.titles().get(row["retrofit"], row["retrofit"])
            used = f"{row['used']:g} {row['unit'] or ''}".rstrip()
            rows.append((kind, f"{about}: {row['name'].replace('_', ' ')}", used, why))
    yield from rows or [(kind, "nothing", "every assumption is the program's own", "")]


def _amount(value: Any) -> str:
    """Return an amount in whole units, in words where there is none."""
    return api.ENGLISH.number(value) if value == value else NOT_DRAWN

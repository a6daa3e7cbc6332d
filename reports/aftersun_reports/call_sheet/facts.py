"""The sheets on the run as a whole: the month, assumptions, claims, retrofits, and what the run was made from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from aftersun import api
from aftersun_reports.call_sheet import names
from aftersun_reports.call_sheet.book import HOURS, MONEY, NUMBER, TEXT, Column, Sheet, records_of, rows_of
from aftersun_reports.call_sheet.tables import Table


def month(run: api.RunView) -> Table:
    """What the month holds, what the calls take of it, and how good the list is."""
    above = ["The month: what the crews can do, and what these calls take of it"]
    for plan in records_of(run.table("run_plan")):
        above += [
            f"All calls together bring {_amount(plan['value'])} {run.currency} on average, after travel of "
            f"{_amount(plan['travel_cost'])}: {plan['status']}; a better list could bring "
            f"{api.ENGLISH.percent(plan['gap'], 1)} more at most.",
            f"A plain list by value for effort would bring {_amount(plan['greedy_value'])} {run.currency}.",
        ]
        if plan["shortage"]:
            above.append(str(plan["shortage"]))
    sheet = Sheet(
        names.MONTH,
        above,
        [
            Column("capacity", 34, TEXT, "What the company file limits."),
            Column("bookable", 12, HOURS, "What may be booked of it, the slack kept free."),
            Column("expected", 12, HOURS, "What the calls take of it on average."),
            Column("short", 12, HOURS, "What safety matters need beyond it."),
            Column("next job fits", 12, TEXT, "no = a job worth having is left out for want of it."),
            Column(f"one more is worth [{run.currency}]", 16, MONEY, "To the company; empty = not asked."),
        ],
        empty="The company file limits nothing, or nobody is called.",
    )
    wanted = ["name", "bookable", "used", "short", "binding", "value_of_one_more"]
    fits = {"yes": "no", "no": "yes"}  # binding = the next job does not fit
    rows = rows_of(run.table("run_capacity"), wanted)
    return sheet, ((*row[:4], fits.get(row[4]), row[5]) for row in rows)


def assumptions(run: api.RunView, titles: Mapping[str, str]) -> Table:
    """Every number that was assumed, its range and source, and who of the company replaced it."""
    sheet = Sheet(
        names.ASSUMPTIONS,
        ["Assumptions, with their sources", "What is known of a site goes before; these stand where it is not known."],
        [
            Column("about", 28, TEXT, "The retrofit, or what else it belongs to."),
            Column("what it means", 60, TEXT, "In words."),
            Column("used", 11, NUMBER, "The value that this run used."),
            Column("low", 11, NUMBER, "Lower end of its usual range."),
            Column("usual", 11, NUMBER, "Most likely value."),
            Column("high", 11, NUMBER, "Upper end of its usual range."),
            Column("unit", 12, TEXT, "share = 0.1 is 10 %; a = years."),
            Column("source", 80, TEXT, "Where it is from."),
            Column("replaced by the company", 34, TEXT, "Who set another value, and why; empty = nobody."),
            Column("name", 28, TEXT, "Its name in the company file."),
        ],
        empty="This run has stored no assumption.",
    )
    wanted = ["retrofit", "meaning", "used", "low", "mode", "high", "unit", "source", "overridden", "name"]
    return sheet, ([titles.get(row[0], row[0]), *row[1:]] for row in rows_of(run.table("run_assumption"), wanted))


def claims(run: api.RunView, titles: Mapping[str, str]) -> Table:
    """What the trade promises of each retrofit; no figure of this workbook was made from it."""
    sheet = Sheet(
        names.CLAIMS,
        [
            "What the trade commonly claims",
            "No figure here was made from these claims. What was calculated for each roof stands on "
            f"'{names.RANKING}'.",
        ],
        [
            Column("retrofit", 28, TEXT, "What it is said of."),
            Column("claim", 80, TEXT, "What is said."),
            Column("where it is from", 60, TEXT, "Its source."),
        ],
        empty="No claims are stored with this run.",
    )
    rows = rows_of(run.table("run_claim"), ["retrofit", "text", "source"])
    return sheet, ([titles.get(row[0], row[0]), *row[1:]] for row in rows)


def retrofits(run: api.RunView) -> Table:
    """The retrofits of the run, by the id that the call log knows them by."""
    sheet = Sheet(
        names.RETROFITS,
        ["The retrofits of this run"],
        [
            Column("id", 28, TEXT, "The name that the call log and the company file use."),
            Column("title", 30, TEXT, "The name that people use."),
            Column("what it is", 70, TEXT, "In a sentence or two."),
            Column("life [years]", 9, NUMBER, "How long it is counted."),
            Column("version", 9, TEXT, "Of its model."),
            Column("comes with", 24, TEXT, "The package that brings it."),
            Column("sources", 60, TEXT, "What its model rests on."),
        ],
    )
    wanted = ["retrofit", "title", "summary", "life_years", "version", "origin", "sources"]
    return sheet, rows_of(run.table("run_retrofit"), wanted)


def run_facts(run: api.RunView) -> Table:
    """What made this workbook: run, versions, inputs, failures, and what the company replaced."""
    sheet = Sheet(
        names.RUN,
        ["The run that this workbook was made from"],
        [
            Column("what", 24, TEXT, "Kind of fact."),
            Column("name", 34, TEXT, "Which one."),
            Column("value", 70, TEXT, "Its value."),
            Column("remark", 60, TEXT, "Who decided it and why, or what it means."),
        ],
        keys=2,
    )
    return sheet, _run_rows(run)


def _run_rows(run: api.RunView) -> Iterator[Sequence[Any]]:
    made, company = run.made_from, run.company
    identity, money = company.get("company", {}), company.get("money", {})
    yield "run", "id", run.run_id, ""
    yield "run", "made at", f"{run.made_at:%Y-%m-%d %H:%M} UTC", ""
    yield "run", "as of", f"{run.as_of:%Y-%m-%d}", "the day that ages and prices are taken at"
    yield "run", "sites", str(made.get("sites", "")), "that could be valued"
    yield "run", "seed", str(made.get("seed", "")), "of the draws"
    yield "version", "program", str(made.get("program_version", "")), ""
    for name, version in sorted(_mapping(made.get("plugin_versions")).items()):
        yield "version", str(name), str(version), ""
    for name, value in sorted(_mapping(made.get("input_hashes")).items()):
        yield "hash of an input", str(name), str(value), "changes when the input does"
    for failure in made.get("failures") or ():
        yield "failure", str(failure.get("plugin", "")), str(failure.get("reason", "")), str(failure.get("during", ""))
    if not made.get("failures"):
        yield "failure", "none", "every retrofit was calculated to the end", ""
    yield "company", "name", str(identity.get("name", "")), ""
    yield "company", "currency", run.currency, ""
    yield "company", "prices checked on", str(identity.get("price_date", "")), ""
    for name, value in money.items():
        yield "company", str(name).replace("_", " "), f"{value:g}", _MONEY.get(str(name), "")
    yield from _replaced(run)
    for row in records_of(run.table("run_value")):
        title = run.titles().get(row["retrofit"], row["retrofit"]) or "all best offers together"
        span = f"{_amount(row['npv_p50'])} (P90 {_amount(row['npv_p90'])}, P10 {_amount(row['npv_p10'])})"
        yield (
            "worth",
            str(title),
            f"{span} {run.currency}",
            f"best offers of {names.sites(row['offers'])}, called or not",
        )
    call = run.table("call")
    left = call.loc[call["position"].isna(), ["excluded_reason", "excluded_detail"]].fillna("")
    for code, detail, count in rows_of(left.value_counts().reset_index(), [*left, "count"]):
        reason = api.not_called_text(code, detail)
        yield "not called", str(reason) or "no reason stored", names.sites(count), ""
    far = [row for row in records_of(run.table("site_energy")[["site_id", "remark"]]) if row["remark"]]
    for row in far:
        # Without names a distance would tell the place.
        why = str(row["remark"]) if run.personal else "far from its weather station, or at another height"
        yield "less certain energy", str(row["site_id"]), why, ""


_MONEY = {
    "real_discount_rate": "share a year, above inflation",
    "electricity_price_growth": "share a year, above inflation",
    "fuel_price_growth": "share a year, above inflation",
    "sales_tax_rate": "share of the price before tax",
    "markup_share": "share of own cost",
    "horizon_years": "nothing is counted beyond",
}


def _replaced(run: api.RunView) -> Iterator[Sequence[Any]]:
    found = False
    for section, what in (("system", "assumed of every system"), ("facts", "chance where not known")):
        for name, given in _mapping(run.company.get(section)).items():
            found = True
            told = ("who", "why") if run.personal else ()  # what somebody wrote freely may name people
            why = "; ".join(str(given[part]) for part in told if given.get(part))
            yield "replaced by the company", f"{what}: {str(name).replace('_', ' ')}", f"{given['value']:g}", why
    for row in records_of(run.table("run_assumption")):
        if row["overridden"]:
            found = True
            about = run.titles().get(row["retrofit"], row["retrofit"])
            yield (
                "replaced by the company",
                f"{about}: {row['name'].replace('_', ' ')}",
                f"{row['used']:g} {row['unit'] or ''}".rstrip(),
                row["overridden"],
            )
    if not found:
        yield "replaced by the company", "nothing", "every assumption is the program's own", ""


def _amount(value: float) -> str:
    return api.ENGLISH.number(value) if value == value else "not drawn"


def _mapping(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}

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
            f"All calls together bring {names.amount(plan['value'])} {run.currency} on average, after travel of "
            f"{names.amount(plan['travel_cost'])}: {plan['status']}; a better list could bring "
            f"{api.ENGLISH.percent(plan['gap'], 1)} more at most.",
            f"A plain list by value for effort would bring {names.amount(plan['greedy_value'])} {run.currency}.",
        ]
        if plan["shortage"]:
            above.append(str(plan["shortage"]))
    sheet = Sheet(
        names.MONTH,
        above,
        [
            Column("capacity", 34, TEXT, "What the company file limits.", "name"),
            Column("bookable", 12, HOURS, "What may be booked of it, the slack kept free.", "bookable"),
            Column("expected", 12, HOURS, "What the calls take of it on average.", "used"),
            Column("short", 12, HOURS, "What safety matters need beyond it.", "short"),
            Column(
                "next job fits", 12, TEXT, "no = a job worth having is left out for want of it.", "binding", _FITS.get
            ),
            Column(
                f"one more is worth [{run.currency}]",
                16,
                MONEY,
                "To the company; empty = not asked.",
                "value_of_one_more",
            ),
        ],
        empty="The company file limits nothing, or nobody is called.",
    )
    return sheet, rows_of(run.table("run_capacity"), sheet.columns)


_FITS = {"yes": "no", "no": "yes"}  # binding = the next job does not fit


def assumptions(run: api.RunView, titles: Mapping[str, str]) -> Table:
    """Every number that was assumed, its range and source, and who of the company replaced it."""
    sheet = Sheet(
        names.ASSUMPTIONS,
        ["Assumptions, with their sources", "What is known of a site goes before; these stand where it is not known."],
        [
            Column("about", 28, TEXT, "The retrofit, or what else it belongs to.", "retrofit", names.titled(titles)),
            Column("what it means", 60, TEXT, "In words.", "meaning"),
            Column("used", 11, NUMBER, "The value that this run used.", "used"),
            Column("low", 11, NUMBER, "Lower end of its usual range.", "low"),
            Column("usual", 11, NUMBER, "Most likely value.", "mode"),
            Column("high", 11, NUMBER, "Upper end of its usual range.", "high"),
            Column("unit", 12, TEXT, "share = 0.1 is 10 %; a = years.", "unit"),
            Column("source", 80, TEXT, "Where it is from.", "source"),
            Column(
                "replaced by the company", 34, TEXT, "Who set another value, and why; empty = nobody.", "overridden"
            ),
            Column("name", 28, TEXT, "Its name in the company file.", "name"),
        ],
        empty="This run has stored no assumption.",
    )
    return sheet, rows_of(run.table("run_assumption"), sheet.columns)


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
            Column("retrofit", 28, TEXT, "What it is said of.", "retrofit", names.titled(titles)),
            Column("claim", 80, TEXT, "What is said.", "text"),
            Column("where it is from", 60, TEXT, "Its source.", "source"),
        ],
        empty="No claims are stored with this run.",
    )
    return sheet, rows_of(run.table("run_claim"), sheet.columns)


def retrofits(run: api.RunView) -> Table:
    """The retrofits of the run, by the id that the call log knows them by."""
    sheet = Sheet(
        names.RETROFITS,
        ["The retrofits of this run"],
        [
            Column("id", 28, TEXT, "The name that the call log and the company file use.", "retrofit"),
            Column("title", 30, TEXT, "The name that people use.", "title"),
            Column("what it is", 70, TEXT, "In a sentence or two.", "summary"),
            Column("life [years]", 9, NUMBER, "How long it is counted.", "life_years"),
            Column("version", 9, TEXT, "Of its model.", "version"),
            Column("comes with", 24, TEXT, "The package that brings it.", "origin"),
            Column("sources", 60, TEXT, "What its model rests on.", "sources"),
        ],
    )
    return sheet, rows_of(run.table("run_retrofit"), sheet.columns)


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
        yield "company", str(name).replace("_", " "), f"{value:g}", _MONEY.get(str(name), "")


def _result_rows(run: api.RunView) -> Iterator[Sequence[Any]]:
    titles = run.titles()
    for row in records_of(run.table("run_value")):
        title = titles.get(row["retrofit"], row["retrofit"]) or "all best offers together"
        p50, p90, p10 = (names.amount(row[name]) for name in ("npv_p50", "npv_p90", "npv_p10"))
        remark = f"best offers of {names.sites(row['offers'])}, called or not"
        yield "worth", title, f"{p50} (P90 {p90}, P10 {p10}) {run.currency}", remark
    call = run.table("call")
    left = call.loc[call["position"].isna(), ["excluded_reason", "excluded_detail"]].fillna("")
    for code, detail, count in left.value_counts().reset_index().itertuples(index=False, name=None):
        yield "not called", names.why_not_called(code, detail) or "no reason stored", names.sites(count), ""
    for row in records_of(run.table("site_energy")[["site_id", "remark"]]):
        if row["remark"]:
            # Without names a distance would tell the place.
            why = row["remark"] if run.personal else "far from its weather station, or at another height"
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
    kind = "replaced by the company"
    rows: list[Sequence[Any]] = []
    free = ("who", "why") if run.personal else ()  # what somebody wrote freely may name people
    for section, what in (("system", "assumed of every system"), ("facts", "chance where not known")):
        for name, given in run.company.get(section, {}).items():
            why = "; ".join(str(given[part]) for part in free if given.get(part))
            rows.append((kind, f"{what}: {str(name).replace('_', ' ')}", f"{given['value']:g}", why))
    for row in records_of(run.table("run_assumption")):
        if row["overridden"]:
            about = run.titles().get(row["retrofit"], row["retrofit"])
            used = f"{row['used']:g} {row['unit'] or ''}".rstrip()
            rows.append((kind, f"{about}: {row['name'].replace('_', ' ')}", used, row["overridden"]))
    yield from rows or [(kind, "nothing", "every assumption is the program's own", "")]

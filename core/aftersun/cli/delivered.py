"""Commands on what done work delivered."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

from aftersun.cli.declaring import day, day_option, flag, group
from aftersun.cli.options import AsJson, CompanyFile, InventoryFile, SiteOrAll, opened
from aftersun.cli.terminal import amount, cell, terminal

if TYPE_CHECKING:
    import pandas as pd

    from aftersun.delivered.report import Delivered

app = group(help="What done work delivered by the meters, against what had been promised.")

Guaranteed = Annotated[bool, flag("delivered.guarantee", "--guarantee")]
AsOfToday = Annotated[datetime | None, day_option("delivered.as_of", "--as-of")]


@app.command()
def measure(
    inventory: InventoryFile, company: CompanyFile = None, as_of: AsOfToday = None, json: AsJson = False
) -> None:
    """Measure what work delivered, from meter readings before and after it, and keep it.

    All of the months before the work make the baseline; weather is taken out by the light of those months where it is
    loaded (table past_weather), else by neighbours without work. Work that falls together shares one result.

    Example: aftersun delivered measure company.duckdb --company company.toml
    """
    from aftersun.delivered.measure import measure as measured
    from aftersun.delivered.measure import store
    from aftersun.inventory.store.file import Inventory
    from aftersun.money.company import load_company

    known = load_company(inventory.parent / "company.toml" if company is None else company)
    with Inventory.open(inventory, read_only=True) as source, terminal.progress("measuring") as progress:
        found = measured(source, known, day(as_of), progress)
    with opened(inventory, read_only=False) as target:
        store(target, found)
    counts = _counts(found)
    seen = f"of {counts['measured']} measured {counts['seen']} can be seen at their site"
    terminal.answer(json, counts, f"{counts['work']} times work was done, {seen}.")
    if not json:
        _obstacles(found)


@app.command()
def show(inventory: InventoryFile, site: SiteOrAll = None, json: AsJson = False) -> None:
    """Show what each work delivered, as it was measured last.

    Example: aftersun delivered show company.duckdb S001
    """
    from aftersun.delivered.measure import stored

    with opened(inventory) as source:
        found = stored(source)
    if site is not None:
        found = found[found["site_id"] == site]
    if json:
        terminal.json(found)
    elif found.empty:
        terminal.result("Nothing was measured yet: 'aftersun delivered measure' does.")
    elif site is not None:
        for row in found.to_dict("records"):
            _one(row)
        terminal.say("delivered.one_site")
    else:
        names = ("site", "done on", "retrofit", "promised", "delivered", "90 % interval", "seen")
        terminal.table(names, [_line(row) for row in found.to_dict("records")], "<<<>>><")


@app.command()
def retrofits(inventory: InventoryFile, guarantee: Guaranteed = False, json: AsJson = False) -> None:
    """Show per retrofit what was promised and what came over the whole company, and how good the ranges were.

    The roofs with the best promises were chosen, and part of what makes a promise high is luck: beside the share that
    came at these roofs the share to expect of all roofs is shown, which takes that into account.

    Example: aftersun delivered retrofits company.duckdb
    """
    from dataclasses import asdict

    from aftersun.delivered import report

    with opened(inventory) as source:
        found = report.delivered_by_retrofit(source)
    if json:
        terminal.json([_as_data(one) | {"guarantee": asdict(report.guarantee(one))} for one in found])
        return
    if not found:
        terminal.result("Of no retrofit was work measured that had a promise: 'aftersun delivered measure' does.")
        return
    names = ("retrofit", "works", "promised", "delivered", "came", "90 % interval", "all roofs", "90 % interval")
    terminal.result("Energy in kWh a year; what came over what was promised.")
    terminal.table(names, [_pooled(one) for one in found], "<>>>>>>>")
    for one in found:
        money = "" if one.bias_money is None else f", worth {amount(one.bias_money)} in money at each of these roofs"
        left = f"; {one.unmeasured} more not measured or without a promise" if one.unmeasured else ""
        terminal.paragraph(
            f"{one.retrofit}: {amount(one.bias_kwh)} kWh a year beyond the promise{money}{left}.", indent=2, hang=2
        )
    terminal.say("delivered.chosen")
    if any(one.bands for one in found):
        terminal.heading("How good the ranges were: of good ones 10, 40, 40 and 10 % lie in these bands")
        rows = [(one.retrofit, *(f"{count / sum(one.bands):.0%}" for count in one.bands)) for one in found if one.bands]
        terminal.table(("retrofit", *report.BANDS), rows, "<>>>>")
    for one in found:
        if not one.groups.empty:
            terminal.heading(f"{one.retrofit}: share that came by kind of roof, each drawn towards all")
            roofs = one.groups.to_dict("index").items()
            lines = [
                (str(name), row["count"], _share(row["pooled"]), _reach(row["low"], row["high"])) for name, row in roofs
            ]
            terminal.table(("roof", "works", "came", "90 % interval"), lines, "<>>>")
    if guarantee:
        _guarantees(found)


def _guarantees(found: Sequence[Delivered]) -> None:
    from aftersun.delivered.report import guarantee

    terminal.heading("A guarantee to the owner of a roof like those done, kWh a year")
    rows = []
    for one in found:
        given = guarantee(one)
        short = "" if given.promised_p90_short is None else f"{given.promised_p90_short:.0%}"
        rows.append((one.retrofit, amount(given.expected_kwh), amount(given.promised_p90), short,
                     amount(given.promised_p90_missing), amount(given.calibrated_p90),
                     amount(given.calibrated_p90_missing)))  # fmt: skip
    names = ("retrofit", "expected", "P90 as promised", "falls short", "missing", "P90 as delivered", "missing")
    terminal.table(names, rows, "<>>>>>>")
    terminal.say("delivered.guarantee")


def _pooled(one: Delivered) -> tuple[object, ...]:
    came, share = one.came, one.share
    return (
        one.retrofit, came.count, amount(one.promised_kwh), amount(one.mean_kwh), _share(came.mean),
        _reach(came.low, came.high), _share(share.mean), _reach(*share.interval),
    )  # fmt: skip


def _share(value: float) -> str:
    return f"{value:.0%}"


def _reach(low: float, high: float) -> str:
    return f"{low:.0%} to {high:.0%}"


def _as_data(one: Delivered) -> dict[str, Any]:
    low, high = one.share.interval
    return {
        "retrofit": one.retrofit,
        "works": one.came.count,
        "unmeasured": one.unmeasured,
        "promised_kwh": one.promised_kwh,
        "delivered_kwh": one.mean_kwh,
        "came": {name: getattr(one.came, name) for name in ("mean", "error", "low", "high", "between_sd")},
        "all_roofs": {"mean": one.share.mean, "low": low, "high": high, "reliability": one.share.reliability},
        "usual_promise_known": one.usual_known,
        "bands": one.bands,
        "bias_kwh": one.bias_kwh,
        "bias_money": one.bias_money,
        "groups": {str(name): dict(row) for name, row in one.groups.iterrows()},
    }


def _counts(found: pd.DataFrame) -> dict[str, Any]:
    measured = found["obstacle"].isna()
    return {
        "work": len(found),
        "measured": int(measured.sum()),
        "seen": int((found["seen"] & measured).sum()),
        "obstacles": {str(name): int(count) for name, count in found["obstacle"].value_counts().items()},
    }


def _obstacles(found: pd.DataFrame) -> None:
    from aftersun.wording import say

    for code, count in found["obstacle"].value_counts().items():
        terminal.paragraph(f"{count}: {say(f'unmeasured.{code}')}", indent=2, hang=2)


def _line(row: dict[Any, Any]) -> tuple[str, ...]:
    from aftersun.wording import value_of

    gain, low, high = (amount(value_of(row, name)) for name in ("gain_kwh", "gain_low_kwh", "gain_high_kwh"))
    seen = value_of(row, "seen")
    told = "" if seen is None else "yes" if seen else "no"
    reach = f"{low} to {high}" if gain else ""
    promised = amount(value_of(row, "promised_kwh"))
    return cell(row["site_id"]), cell(row["done_on"]), cell(row["retrofit"]), promised, gain, reach, told


def _one(row: dict[Any, Any]) -> None:
    from aftersun.wording import say, value_of

    terminal.heading(f"{cell(row['done_on'])} {row['retrofit']}")
    obstacle = value_of(row, "obstacle")
    if obstacle:
        terminal.say(f"unmeasured.{obstacle}")
        return
    basis = say(f"basis.{row['basis']}", neighbours=row["neighbours"])
    gain, low, high = (amount(row[name]) for name in ("gain_kwh", "gain_low_kwh", "gain_high_kwh"))
    key = "delivered.found" if row["seen"] else "delivered.unseen"
    terminal.say(key, gain=gain, low=low, high=high, basis=basis)
    promised = value_of(row, "promised_kwh")
    if promised is not None:
        terminal.result(f"Promised: {amount(promised)} kWh a year.")
    if not row["seen"]:
        months = value_of(row, "months_to_see")
        terminal.say("delivered.never" if months is None else "delivered.to_see", months=months)
    for remark in ("shared", "meter_replaced"):
        if value_of(row, remark):
            terminal.say(f"delivered.{remark}")

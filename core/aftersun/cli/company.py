"""Commands on the company file."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from pathlib import Path
from typing import Annotated

from aftersun.cli.declaring import argument, group, option
from aftersun.cli.options import PluginFolder
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError
from aftersun.wording import say

app = group(help="The company file: price book and settings.")

CompanyArgument = Annotated[Path, argument("company.file")]


@app.command()
def new(
    path: CompanyArgument,
    country: Annotated[str, option("company.country", "--country")] = "",
    plugins_from: PluginFolder = None,
) -> None:
    """Write a commented company file to fill in, with the price items of all retrofits that are installed.

    With a country it begins at that country's tax, prices and language, with tables of a usual tariff beside it.

    Example: aftersun company new company.toml --country ES
    """
    import pandas as pd

    from aftersun.host.registry import find_plugins
    from aftersun.inventory.store.private import refuse_existing
    from aftersun.money.company import company_template
    from aftersun.money.countries import country_of, usual_tariffs
    from aftersun.money.template import price_row
    from aftersun_datasets import rows

    begun = country_of(country) if country else None
    tables = usual_tariffs(begun) if begun else {}
    files = {path.with_name(f"{path.stem}_{table}.csv"): found for table, found in tables.items() if found}
    refuse_existing([path, *files])
    brought = [item for loaded in find_plugins((), plugins_from).retrofits for item in loaded.retrofit.about.prices]
    own = {item.key: price_row(item) for item in brought}  # two retrofits may need the same thing
    path.write_text(company_template([*rows("price_items.csv"), *own.values()], begun), encoding="utf-8")
    for file, found in files.items():
        pd.DataFrame(found).to_csv(file, index=False)
    terminal.result(
        f"Wrote {path}. Put in {'' if begun else 'your currency, '}your name, your base and your own prices, then rank "
        f"with --company {path}."
    )
    if begun:
        for said in rows("country_tariffs.csv"):
            if said["country"] == begun.code:
                terminal.result(say("company.tariffs", files=" ".join(map(str, files)), **said))


@app.command()
def check(path: CompanyArgument, plugins_from: PluginFolder = None) -> None:
    """Check a company file and say what is wrong with it and what it lacks, all at once.

    Example: aftersun company check company.toml --plugins-from my-folder
    """
    from aftersun.host.registry import find_plugins
    from aftersun.money.company import load_company
    from aftersun.money.missing import still_missing
    from aftersun.scoring.run.catalogue import check_names
    from aftersun.testing.company_needs import check_heard, missing_prices, unusual_overrides

    company = load_company(path)
    registry = find_plugins(company.retrofits.off, plugins_from)
    check_names(registry, company)
    check_heard(registry, company)
    for one in unusual_overrides(registry, company):
        terminal.say("company.unusual", retrofit=one.retrofit, name=one.name, value=one.value, **asdict(one.usual))
    if missing := missing_prices(registry, company):
        lines = [
            say("company.missing_line", item=one.key, section=one.section, unit=one.unit)
            + ("" if one.usual is None else say("company.usual", **asdict(one.usual)))
            for one in missing
        ]
        count = "one price" if len(missing) == 1 else f"{len(missing)} prices"
        raise AftersunError(f"The company file {path} lacks {count}.", "\n".join(lines))
    if lacking := still_missing(company, path.read_text(encoding="utf-8"), date.today()):
        terminal.result(say("company.not_complete", path=path))
        for lack in lacking:
            terminal.result("  " + say(f"company.{lack.code}", **lack.figures))
    else:
        terminal.result(f"{path} is complete.")

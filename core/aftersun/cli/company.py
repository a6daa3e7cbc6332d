"""Commands on the company file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from aftersun.cli.declaring import argument, group
from aftersun.cli.terminal import terminal

app = group(help="The company file: price book and settings.")

CompanyArgument = Annotated[Path, argument("company.file")]


@app.command()
def new(path: CompanyArgument) -> None:
    """Write a commented company file to fill in.

    Example: aftersun company new company.toml
    """
    from aftersun.inventory.store.private import refuse_existing
    from aftersun.money.company import company_template
    from aftersun_datasets import rows

    refuse_existing([path])
    path.write_text(company_template(rows("price_items.csv")), encoding="utf-8")
    terminal.result(
        f"Wrote {path}. Put in your currency, your base and your own prices, then rank with --company {path}."
    )


@app.command()
def check(path: CompanyArgument) -> None:
    """Check a company file and say what is wrong with it, all at once.

    Example: aftersun company check company.toml
    """
    from aftersun.host.registry import find_plugins
    from aftersun.money.company import load_company
    from aftersun.scoring.run.catalogue import check_names

    company = load_company(path)
    check_names(find_plugins(company.retrofits.off), company)
    terminal.result(f"{path} is complete.")

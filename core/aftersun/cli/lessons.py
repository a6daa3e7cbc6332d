"""Commands on what done work and answers teach: proposed, accepted by a person, shown, taken back."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

from aftersun.cli.declaring import argument, flag, group, option
from aftersun.cli.options import AsJson, CompanyFile, InventoryFile, Workers, stored_run
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError

app = group(
    help="What done work and answers teach of the assumptions: proposed, and in force once somebody accepts it."
)

CompanyArgument = Annotated[Path, argument("lessons.company")]


@app.command()
def propose(
    inventory: InventoryFile,
    to: Annotated[Path, option("lessons.to")],
    company: CompanyFile = None,
    quick: Annotated[bool, flag("lessons.quick", "--quick")] = False,
    workers: Workers = 1,
) -> None:
    """Write what the evidence would change as a file: how much there is, old and new ranges, what the ranking would do.

    Nothing is in force by that. Few data move little. All evidence counts each time, from the ranges without lessons.

    Example: aftersun lessons propose company.duckdb --to lessons-of-june.toml
    """
    from aftersun.delivered.learning import as_toml, lessons
    from aftersun.host.registry import find_plugins
    from aftersun.inventory.store.file import Inventory
    from aftersun.inventory.store.private import made_whole, refuse_existing
    from aftersun.money.company import load_company

    refuse_existing([to])
    known = load_company(inventory.parent / "company.toml" if company is None else company, lessons=False)
    retrofits = {loaded.id: loaded.retrofit for loaded in find_plugins(known.retrofits.off).retrofits}
    with Inventory.open(inventory, read_only=True) as source:
        found = lessons(source, known, retrofits)
    if not found:
        raise AftersunError(
            "There is no evidence yet.",
            "Record work with its hours ('aftersun job done'), load readings and 'aftersun delivered measure', "
            "or log more answers.",
        )
    effect = (
        {}
        if quick
        else _effects(inventory, [(one.place, one.new) for one in found if one.section[0] != "calls"], workers)
    )
    with made_whole(to) as made:
        made.write_text(as_toml(found, date.today(), effect), encoding="utf-8")
    rows = [(one.place, one.count, f"{one.old:.4g}", f"{one.new:.4g}", one.unit) for one in found]
    terminal.table(("assumption", "evidence", "now", "would be", "unit"), rows, "<>>><")
    terminal.result(f"Wrote {to}. Read it, take out what you do not believe, then 'aftersun lessons accept'.")


def _effects(inventory: Path, changes: list[tuple[str, float]], workers: int) -> dict[str, str]:
    """Return by place what each change alone would do to the newest run; nothing without a run."""
    from aftersun.scoring.run.what_if import run_with_changes
    from aftersun.scoring.value.cohorts import read_portfolio

    try:
        with stored_run(inventory) as view:
            run, before = view.run, view.table("ranking")
            portfolio = read_portfolio(view.inventory, run.as_of)
    except AftersunError:
        return {}
    effect = {}
    for place, value in changes:
        with terminal.progress(place) as progress:
            compared = run_with_changes(portfolio, run, before, [f"{place}={value:.12g}"], progress, workers)
        stored, supposed = compared.offered("stored"), compared.offered("supposed")
        offers, worth = (
            tuple(sum(one[which] for one in counts.values()) for counts in (stored, supposed)) for which in (0, 1)
        )
        effect[place] = (
            f"The advice of the newest run turns {len(compared.turned())} times; {offers[1]} offers "
            f"in place of {offers[0]}, net benefit {worth[1]:,.0f} in place of {worth[0]:,.0f}."
        )
    return effect


@app.command()
def accept(
    file: Annotated[Path, argument("lessons.file")],
    company: Annotated[Path, option("lessons.company_option", "--company")],
    who: Annotated[str, option("lessons.who")],
) -> None:
    """Put proposed lessons in force from the next run on; each run names the evidence that it used.

    They are kept in a file of their own beside the company file and take precedence over it. What was accepted before
    is kept under another name.

    Example: aftersun lessons accept lessons-of-june.toml --company company.toml --who "account manager"
    """
    from aftersun.money.lessons import accept_lessons

    target, kept = accept_lessons(file, company, who, date.today())
    terminal.result(f"In force from the next run on: {target}.")
    if kept is not None:
        terminal.result(f"What was in force before is kept as {kept}.")


@app.command()
def withdraw(company: CompanyArgument) -> None:
    """Take the lessons back that are in force: the next run uses the company file alone. The file is kept.

    Example: aftersun lessons withdraw company.toml
    """
    from aftersun.money.lessons import withdraw_lessons

    terminal.result(f"No lessons are in force; they are kept as {withdraw_lessons(company)}.")


@app.command()
def show(company: CompanyArgument, json: AsJson = False) -> None:
    """Show which lessons are in force, from how much evidence, and who accepted them.

    Example: aftersun lessons show company.toml
    """
    from aftersun.money.company import load_company

    lessons = load_company(company).lessons
    if json:
        terminal.json(None if lessons is None else lessons.model_dump(mode="json"))
    elif lessons is None:
        terminal.result("No lessons are in force.")
    else:
        terminal.result(
            f"Accepted on {lessons.accepted_on} by {lessons.accepted_by}, proposed on {lessons.proposed_on}."
        )
        for place, evidence in lessons.evidence.items():
            terminal.paragraph(f"{place}: {evidence}", indent=2, hang=2)

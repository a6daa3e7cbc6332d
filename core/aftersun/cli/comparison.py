"""Prints why two stored runs differ."""

from __future__ import annotations

from typing import Any

from aftersun.cli.terminal import amount, in_words, terminal
from aftersun.documents.compare import COMPUTED, Cause, Difference
from aftersun.model.figures import ENGLISH

_SHOWN = 40  # characters of a value


def difference_as_data(difference: Difference) -> dict[str, Any]:
    """Return everything for another program."""
    return {
        "first": difference.first.run_id,
        "second": difference.second.run_id,
        "same_results": difference.same,
        "made_differently": difference.causes,
        "tables_that_differ": _tables(difference),
        "sites": difference.sites,
        "movers": difference.movers,
        "calls_that_differ": difference.calls,
        "safety_notes_that_differ": difference.notes,
    }


def show_difference(difference: Difference) -> None:
    """Print what the runs were made from, what came of it, and every safety note that only one of them has."""
    terminal.heading("Two runs")
    for name, run in (("first", difference.first), ("second", difference.second)):
        when = f"{run.finished_at:%Y-%m-%d %H:%M} UTC, as of {run.as_of}"
        terminal.result(f"{name:<7} {run.run_id}  {when}  {run.sites:,} sites")
    _show_causes(difference)
    _show_results(difference)
    _show_calls(difference)
    _show_notes(difference)


def _tables(difference: Difference) -> list[str]:
    return [table for table, same in difference.tables.items() if not same]


def _show_causes(difference: Difference) -> None:
    terminal.heading("Made differently")
    real = [cause for cause in difference.causes if cause.kind != COMPUTED]
    if not real:
        terminal.result("Nothing that results depend on.")
    for cause in real:
        terminal.paragraph(f"{cause.kind}: {cause.name} {_change(cause)}", hang=2)
    others = [cause.name for cause in difference.causes if cause.kind == COMPUTED]
    if others:
        terminal.paragraph(f"What changes no result: {', '.join(others)}.", hang=2)


def _change(cause: Cause) -> str:
    if cause.kind == "input" or cause.name.startswith("code"):
        if cause.first is None or cause.second is None:
            return "is not in the first run" if cause.first is None else "is not in the second run"
        return "changed"
    return f"was {_shown(cause.first)}, became {_shown(cause.second)}"


def _shown(value: str | None) -> str:
    if value is None:
        return "not there"
    return value if len(value) <= _SHOWN else f"{value[:_SHOWN]}..."


def _show_results(difference: Difference) -> None:
    terminal.heading("What came of it")
    if difference.same:
        terminal.result("All results are the same to the bit.")
        return
    terminal.say("runs.results", **difference.sites, tables=", ".join(_tables(difference)))
    rows = [
        [
            row["site_id"],
            in_words(row["offer_first"]) or "none",
            amount(row["npv_first"]),
            in_words(row["offer_second"]) or "none",
            amount(row["npv_second"]),
            ENGLISH.number(row["npv_change"], sign=True),
        ]
        for row in difference.movers.to_dict("records")
    ]
    if rows:
        terminal.result("", f"Largest changes of the best offer's net present value, {difference.currency}:")
        terminal.table(["site", "first", "NPV", "second", "NPV", "change"], rows, "<<><>>", indent=2)


def _show_calls(difference: Difference) -> None:
    """Print who came on the call list and who left it."""
    terminal.heading("Call list")
    came, left = (difference.calls[difference.calls[f"position_{run}"].isna()] for run in ("first", "second"))
    if difference.calls.empty:
        terminal.result("The same customers are on it.")
    for what, rows, which in (("came on it", came, "second"), ("left it", left, "first")):
        names = [
            f"{row['site_id']} (no {row[f'position_{which}']:.0f}, {in_words(row['offer']) or 'service'})"
            for row in rows.to_dict("records")
        ]
        if names:
            terminal.paragraph(f"{len(names)} {what}: {', '.join(names)}.", hang=2)


def _show_notes(difference: Difference) -> None:
    terminal.heading("Safety notes that only one of the runs has")
    if difference.notes.empty:
        terminal.result("None.")
    keys = ["severity", "note_id", "text", "who", "tell_owner", "only_in"]
    for (severity, name, text, who, tell, only_in), rows in difference.notes.groupby(keys, sort=False, dropna=False):
        known = " A known hazard: notify the owner." if tell else ""
        terminal.paragraph(
            f"{str(severity).upper()} [{name}] only in the {only_in} run. {text} Who: {who}.{known}", hang=2
        )
        sites = rows.groupby("retrofit", sort=True)["site_id"].agg(lambda ids: ", ".join(sorted(ids)))
        for retrofit, listed in sites.items():
            terminal.paragraph(f"{retrofit} at {listed}", indent=2, hang=2)

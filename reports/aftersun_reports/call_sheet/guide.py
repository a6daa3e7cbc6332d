"""The sheet that explains the others in plain words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from aftersun import api
from aftersun_reports.call_sheet import names
from aftersun_reports.call_sheet.book import TEXT, Column, Sheet
from aftersun_reports.call_sheet.tables import Table

_SHEETS = {
    names.CALLS: "Whom to call, in order, with all that is needed on the phone.",
    names.LOG: (
        "What came of the calls, gathered from the yellow cells of the sheet 'Calls'. Save the workbook and load it "
        "with 'aftersun log load'. Further entries, for another site of the customer or for one who rang us, are "
        "typed into the free rows at its end. Loading it again changes nothing that is recorded already."
    ),
    names.DANGERS: "Known dangers on sites now. Their owners are told whether or not anything is sold.",
    names.NOTES: "The whole text of every safety note, worst first, and who may do the work.",
    names.QUESTIONS: "What is not known and could turn the advice, and what an answer is worth.",
    names.OFFERS: "What may be offered on each site, for the owner and for the company.",
    names.RANKING: "Every retrofit on every site, with its worth or the reason against it.",
    names.NOT_CALLED: "Which sites are not on the list, and the rule that keeps them off.",
    names.MONTH: "What the crews can do in the month, and what these calls take of it.",
    names.ASSUMPTIONS: "What was assumed where nothing is known, with its range and source.",
    names.CLAIMS: "What the trade promises; none of it went into a figure.",
    names.RETROFITS: "What the retrofits are, and the ids that the call log knows them by.",
    names.RUN: "What this workbook was made from, so that it can be told apart from another.",
}


def guide(run: api.RunView, sheets: Sequence[tuple[str, Sequence[Column]]]) -> Table:
    """Explain these sheets and their columns."""
    above = [
        "How to read this workbook",
        f"Amounts are in {run.currency}, at the prices of {run.as_of:%Y-%m-%d}. Worth = net present value: all that it "
        "brings the owner over its years, less its price, in today's money.",
        "P90 is exceeded with 90 % chance, P50 is as likely too high as too low, P10 is exceeded with 10 % chance.",
        "A danger goes before any sale. No safety text here is shortened: what does not fit into one row is continued "
        "in the next, and says so.",
    ]
    if run.personal:
        above.append("This workbook holds names and numbers of customers: pass it on to nobody who need not have them.")
    sheet = Sheet(
        names.GUIDE,
        above,
        [Column("sheet", 20, TEXT), Column("column", 34, TEXT), Column("what it says", 100, TEXT)],
    )
    return sheet, _rows(sheets)


def _rows(sheets: Sequence[tuple[str, Sequence[Column]]]) -> Iterator[Sequence[Any]]:
    for name, columns in sheets:
        yield name, "", _SHEETS[name]
        for column in columns:
            if column.says:
                yield name, column.title, column.says

"""The call sheet: one XLSX workbook that a salesperson works from on the phone, made from a stored run."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from xlsxwriter.exceptions import XlsxWriterException

from aftersun import api
from aftersun_reports.call_sheet import facts, log, tables
from aftersun_reports.call_sheet.book import Book, Column, Sheet
from aftersun_reports.call_sheet.calls import CallList
from aftersun_reports.call_sheet.layout import Table, explained, name_of, sheet
from aftersun_reports.notes import NotesOfRun
from aftersun_reports.shared import refuse_settings

FILE = "call_sheet.xlsx"


@dataclass(frozen=True)
class CallSheet:
    """The workbook of calls."""

    id: str = "call_sheet"
    writes: str = "One XLSX workbook: whom to call, what to say, ask and warn of, and all that it rests on."
    of: str = api.OF_RUN
    personal: bool = False

    def write(self, run: api.RunView, folder: Path, settings: Mapping[str, str]) -> Sequence[Path]:
        """Write the workbook into ``folder``; it takes no settings.

        Raises
        ------
        AftersunError
            If a setting is given, or the file cannot be written. Nothing half-written is left then.
        """
        refuse_settings("call sheet", settings)
        path = folder / FILE
        try:
            # What is written on the way holds names: it lies in a folder of its own in there, which goes
            # whatever happens, after a kill with the folder.
            with TemporaryDirectory(dir=folder) as scratch:
                _make(path, run, Path(scratch))
        except (OSError, XlsxWriterException) as error:
            path.unlink(missing_ok=True)
            why = getattr(error, "strerror", None) or "no room, or no such folder"
            raise api.AftersunError(
                f"{path} cannot be written ({why}).", "Name a folder that can be written."
            ) from error
        except BaseException:
            path.unlink(missing_ok=True)
            raise
        return [path]


def _make(path: Path, run: api.RunView, scratch: Path) -> None:
    book = Book(path, run, scratch)
    try:
        _fill(book, run)
        book.close()
    finally:
        book.discard()


def _fill(book: Book, run: api.RunView) -> None:
    """Write all sheets. Each table of the run is read once."""
    called, titles = run.table("call"), run.titles()
    calls = CallList(run, NotesOfRun.of(run), titles, run.table("ranking"), run.table("offer"), run.table("question"))
    first, details, listed = calls.sheet("calls"), calls.sheet("details"), facts.retrofits(run)
    after = [
        tables.dangers(calls, called),
        tables.safety_notes(calls),
        tables.questions(calls, called),
        tables.offers(calls, called),
        tables.ranking(calls),
        tables.not_called(run, called),
        *tables.delivered(calls),
        facts.month(run),
        facts.assumptions(calls),
        facts.claims(calls),
        listed,
        facts.run_facts(run),
    ]
    written = [book.write(layout, calls.rows(key))[0] for key, layout in (("calls", first), ("details", details))]
    shown = [(layout.name, layout.columns) for layout in (first, details)]
    shown += [(name_of("call_log"), calls.columns("call_log"))] if run.personal else []
    book.write(*_guide(run, [*shown, *((layout.name, layout.columns) for layout, _ in after)]))
    if run.personal:
        on_calls, on_details = map(log.FilledIn, (first, details), written)
        log.write_log(book, calls, on_calls, on_details, _retrofit_ids(listed[0], len(titles)))
    for layout, rows in after:
        book.write(layout, rows)


def _guide(run: api.RunView, sheets: Sequence[tuple[str, Sequence[Column]]]) -> Table:
    """Explain these sheets and their columns in plain words."""

    def rows() -> Iterator[Sequence[str]]:
        for name, columns in sheets:
            yield name, "", explained(name)
            yield from ((name, column.title, column.says) for column in columns if column.says)

    return sheet(run, "guide"), rows()


def _retrofit_ids(layout: Sheet, count: int) -> str:
    """Return the range of cells that holds the ids of all retrofits, below the header."""
    first = layout.header_row + 2  # spreadsheets count from 1
    return f"{layout.name}!$A${first}:$A${first + max(count, 1) - 1}"


@api.hookimpl
def aftersun_outputs() -> list[api.Output]:
    """Bring the call sheet."""
    return [CallSheet()]

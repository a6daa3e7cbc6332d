"""Loads a list: understood column by column, split into tables, stored as any table is; what is doubtful is told."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import xlsxwriter

from aftersun.inventory.loading.bounds import Progress, uncollected
from aftersun.inventory.loading.checked_file import CheckedFile, check_file
from aftersun.inventory.loading.column_checks import Company
from aftersun.inventory.loading.load import LoadReport, store, with_findings
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.loading.units import in_own_units
from aftersun.inventory.office_list import doubles as doubling
from aftersun.inventory.office_list.cells import QUESTIONS, read_columns
from aftersun.inventory.office_list.doubles import Double
from aftersun.inventory.office_list.grid import Grid, read_grid, shown
from aftersun.inventory.office_list.mapping import MappingFile, applied
from aftersun.inventory.office_list.matching import MAPPING, Proposal, language_of, propose
from aftersun.inventory.office_list.placing import POSITION, Placing, Where
from aftersun.inventory.office_list.reading import Column, Decisions
from aftersun.inventory.office_list.splitting import Doubt, Known, split
from aftersun.inventory.office_list.vocabulary import LIST, Target, of, sentence, targets, unit_in_heading, units_of
from aftersun.inventory.store.dictionary import TEXT
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.private import made_whole
from aftersun.inventory.store.pseudonyms import keyed_hash, stored_key
from aftersun.inventory.store.refusals import refusal
from aftersun.inventory.store.sql import registered

_MISFIT = 0.6  # of the cells of a column that do not fit what its heading says: it is something else (assumption)
_MADE = "L"  # begins the numbers that are made
_DIGITS = 12  # of those: two of a million meet with a chance of 1 in 560
_KIND = "office list"
_MACHINE = re.compile(r"-?\d+(?:\.\d+)?e0$")
_CORRECTED = re.compile(r"-to-correct-[0-9a-f]{6}$")
_UNDECIDED = frozenset(QUESTIONS)


@dataclass(frozen=True, eq=False)
class Understood:
    """A list as it is read: what each column is taken for, what was decided, and the columns as understood."""

    path: Path
    grid: Grid
    proposals: tuple[Proposal, ...]
    decisions: Decisions
    columns: Mapping[Target, Column]

    @property
    def rows(self) -> pd.Index:
        """The positions of the rows whose cells can be told apart."""
        return pd.Index(np.flatnonzero(self.grid.fits))

    @property
    def left_out(self) -> list[str]:
        """The headings of columns that nobody needs."""
        return [p.heading for p in self.proposals if p.target is None]

    @property
    def questions(self) -> frozenset[str]:
        """What somebody would have to decide: names of the settings of a mapping file."""
        return frozenset().union(*(column.questions for column in self.columns.values()))

    def proposal(self, target: Target) -> Proposal:
        """Return the column of the list that is taken for something."""
        return next(p for p in self.proposals if p.target == target)


@uncollected()
def understand(
    path: Path,
    said: MappingFile | None = None,
    said_in: Path | None = None,
    sheet: str = "",
    progress: Progress | None = None,
    for_all: Mapping[str, str] | None = None,
) -> Understood:
    """Read a list, as a mapping file says if there is one; ``for_all`` as in ``Decisions`` goes before what it says.

    Raises
    ------
    AftersunError
        If it cannot be read, no headings are known in it, several sheets look alike, or the file is for another list.
    """
    grid = read_grid(path, sheet or (said.sheet if said else ""), progress)
    decisions = said.decisions if said else Decisions()
    settled_for_all = {**dict(decisions.for_all), **(for_all or {})}
    decisions = replace(decisions, for_all=tuple((name, text) for name, text in settled_for_all.items() if text))
    language = decisions.language or language_of(grid.headings)
    decisions = replace(decisions, language=language)
    proposals = propose(grid, language)
    if said is not None and said_in is not None:
        proposals = applied(proposals, said, said_in)
    return read_as(path, grid, proposals, decisions)


def read_as(path: Path, grid: Grid, proposals: Sequence[Proposal], decisions: Decisions) -> Understood:
    """Read the cells of a list by what its columns are taken for; a column whose cells do not fit is left out.

    Raises
    ------
    AftersunError
        If no column tells anything of customers, sites or arrays.
    """
    rows = np.flatnonzero(grid.fits)
    needed = {p.target: p for p in proposals if p.target is not None}
    cells = {target: grid.cells[p.position].iloc[rows] for target, p in needed.items()}
    units = {target: p.unit for target, p in needed.items() if p.unit}
    headings = {target: grid.headings[p.position] for target, p in needed.items()}
    for name, text in decisions.for_all:
        target = targets()[name]
        given = cells.get(target, pd.Series(pd.NA, index=pd.Index(rows), dtype="string"))
        cells[target] = given.mask(given.str.strip().fillna("") == "", text)
        headings.setdefault(target, "")
    columns = read_columns(cells, headings, units, decisions)
    _check_for_all(columns, needed)
    misfits = {t for t, p in needed.items() if p.by != MAPPING and _misfits(t, columns[t])}
    if misfits:
        kept = [replace(p, target=None) if p.target in misfits else p for p in proposals]
        return read_as(path, grid, kept, decisions)
    if not columns:
        raise refusal("no_headings", path=path)
    return Understood(path, grid, tuple(proposals), decisions, _basis_of_the_allowed(columns, cells, decisions))


@uncollected()
def read_again(understood: Understood, said: MappingFile, corrected: Mapping[tuple[int, int], str]) -> Understood:
    """Read a list otherwise: columns, units and decisions as ``said``, and cells by row and position ``corrected``.

    Raises AftersunError as :func:`read_as` does.
    """
    grid, cells = understood.grid, understood.grid.cells.copy()
    for (row, position), text in corrected.items():
        cells.iloc[row, position] = text or pd.NA
    proposals = [
        replace(p, target=said.columns[p.heading], score=100.0, by=MAPPING, unit=said.units.get(p.heading, ""))
        if p.heading in said.columns
        else p
        for p in understood.proposals
    ]
    return read_as(understood.path, replace(grid, cells=cells), proposals, said.decisions)


def _check_for_all(columns: Mapping[Target, Column], needed: Mapping[Target, Proposal]) -> None:
    """Refuse what was said for all rows if it cannot be read."""
    for target, column in columns.items():
        if target not in needed and column.doubtful:
            raise refusal("no_value_for_all", column=target, limits=of(target).limits or of(target).type)


def _basis_of_the_allowed(
    columns: dict[Target, Column], cells: Mapping[Target, pd.Series], decisions: Decisions
) -> dict[Target, Column]:
    """Return columns with the basis of contact that was said for all only where the list allows to call."""
    said = dict(decisions.for_all).get(str(BASIS))
    if said is None:
        return columns
    allowed = pd.Series(ALLOWED in columns, index=columns[BASIS].text.index)
    if ALLOWED in columns:
        allowed &= (columns[ALLOWED].text == "yes").fillna(False).astype(bool)
    if REFUSED in columns:
        allowed &= ~(columns[REFUSED].text == "yes").fillna(False).astype(bool)
    own = columns[BASIS]
    kept = own.text.where((cells[BASIS] != said).fillna(False) | allowed)
    return {**columns, BASIS: replace(own, text=kept)}


BASIS, ALLOWED, REFUSED = (
    Target("customer", "contact_basis"),
    Target("customer", "contact_allowed"),
    Target(LIST, "no_contact"),
)


def lacks_basis(understood: Understood) -> int:
    """Return how many rows allow to call and do not say why that is allowed."""
    allowed = understood.columns.get(ALLOWED)
    if allowed is None:
        return 0
    basis = understood.columns.get(BASIS)
    without = allowed.text == "yes"
    if basis is not None:
        without &= basis.text.isna()
    return int(without.sum())


def _misfits(target: Target, column: Column) -> bool:
    """Tell whether most cells cannot be what the heading says, other than for a question that is open."""
    if target in (Target("customer", "email"), Target("customer", "phone")):
        sign = "@" if target.column == "email" else r"\d{3}"
        cells = column.text.dropna()
        return len(cells) > 0 and not cells.str.contains(sign).mean() > 1 - _MISFIT
    wrong = int((column.cause.notna() & ~column.cause.isin(_UNDECIDED)).sum())
    return of(target).type != TEXT and wrong > _MISFIT * (column.read + column.doubtful)


def settled(understood: Understood, said: MappingFile | None, merge_doubles: bool, sheet: str = "") -> MappingFile:
    """Return what a mapping file is to say of a list: what was said, proposed and decided."""
    notes = {note for column in understood.columns.values() for note, _ in column.notes}
    before = said.decisions if said else Decisions()

    def decided(earlier: str, signs: Mapping[str, str]) -> str:
        seen = [value for note, value in signs.items() if note in notes]
        return seen[0] if len(seen) == 1 else earlier

    return MappingFile(
        {p.heading: p.target for p in understood.proposals},
        {p.heading: p.unit for p in understood.proposals if p.unit},
        Decisions(
            understood.decisions.language,
            decided(understood.decisions.decimal or before.decimal, {"decimal_comma": ",", "decimal_point": "."}),
            decided(
                understood.decisions.dates or before.dates, {"day_first": "day first", "month_first": "month first"}
            ),
            decided(
                understood.decisions.azimuth_zero or before.azimuth_zero, {"from_north": "north", "from_south": "south"}
            ),
            understood.decisions.volumes or before.volumes,
            understood.decisions.for_all or (((str(BASIS), ""),) if lacks_basis(understood) else ()),
        ),
        sheet or (said.sheet if said else ""),
        merge_doubles or bool(said and said.merge_doubles),
        said.country if said else "",
        said.postcodes if said else "",
    )


def known_to(inventory: Inventory, where: Where | None = None) -> Known:
    """Return what an inventory knows that a list goes by; made numbers are hashes under the inventory's own key."""
    key = stored_key(inventory.connection)

    def all_of(column: str, table: str) -> set[str]:
        rows = inventory.connection.execute(f"SELECT DISTINCT {column} FROM {table}").fetchall()
        return {str(value) for (value,) in rows}

    placed = f"SELECT site_id, {', '.join(POSITION)} FROM site WHERE latitude + longitude IS NOT NULL"
    held = inventory.connection.execute(placed).fetchall()
    return Known(
        lambda text: f"{_MADE}{keyed_hash(key, _KIND, text)[:_DIGITS]}",
        all_of("site_id", "site"),
        all_of("tariff_id", "tariff"),
        replace(where or Where(), held={site_id: (north, east, within) for site_id, north, east, within in held}),
    )


@dataclass(frozen=True, eq=False)
class Prepared:
    """A list ready to be stored: its tables as checked files, in the order to load them, and all doubts."""

    understood: Understood
    files: tuple[CheckedFile, ...]
    doubts: tuple[Doubt, ...]
    doubles: tuple[Double, ...]
    merged: bool
    positions: Mapping[str, np.ndarray] = field(default_factory=dict)
    placing: Placing | None = None


@uncollected()
def prepare(
    understood: Understood,
    known: Known,
    merge_doubles: bool = False,
    units: Mapping[str, Mapping[str, str]] | None = None,
) -> Prepared:
    """Split a list into tables and check them. ``units`` has by table the unit of columns that are in another one."""
    language = understood.decisions.language
    tables = split(understood.columns, understood.rows, known, None, language)
    people = pd.DataFrame({name: _cells(understood, name) for name in ("name", "street", "phone", "email")})
    if "customer" in tables.frames:
        for name in set(people) & set(tables.frames["customer"]):
            own = tables.frames["customer"][name].reindex(people.index)
            people[name] = people[name].fillna(own)
    doubles = doubling.find_doubles(tables.customers, people)
    if merge_doubles and doubles:
        tables = split(understood.columns, understood.rows, known, doubling.merging(doubles), language)
    files = tuple(_checked(understood, table, frame, units or {}) for table, frame in tables.frames.items())
    positions = {table: frame.index.to_numpy() for table, frame in tables.frames.items()}
    doubts = (*_cell_doubts(understood), *tables.doubts)
    merged = merge_doubles and bool(doubles)
    return Prepared(understood, files, doubts, tuple(doubles), merged, positions, tables.placing)


def _cells(understood: Understood, name: str) -> pd.Series:
    column = understood.columns.get(Target("customer", name))
    return pd.Series(pd.NA, index=understood.rows, dtype="string") if column is None else column.text


def _checked(
    understood: Understood, table: str, frame: pd.DataFrame, units: Mapping[str, Mapping[str, str]]
) -> CheckedFile:
    lines = understood.grid.lines[frame.index]
    width = len(frame.columns)
    cells = pd.DataFrame({n: frame[name].array for n, name in enumerate(frame.columns)}, dtype="string")
    raw = RawTable(
        tuple(frame.columns), cells, lines, np.full(len(frame), width, dtype=np.int64), {}, decimal_comma=False
    )
    name = understood.path.name
    return check_file(table, name, in_own_units(table, name, raw, units.get(table, {})))


def _cell_doubts(understood: Understood) -> list[Doubt]:
    doubts = []
    for target, column in understood.columns.items():
        for cause, rows in column.cause.groupby(column.cause).groups.items():
            doubts.append(Doubt(target, str(cause), tuple(map(int, rows))))
    if not understood.grid.fits.all():
        first = next(iter(understood.columns))
        doubts.append(Doubt(first, "wrong_width", tuple(map(int, np.flatnonzero(~understood.grid.fits)))))
    return doubts


def with_list_findings(
    inventory: Inventory, reports: Sequence[LoadReport], prepared: Prepared, company: Company
) -> list[LoadReport]:
    """Return reports with what is found on whole columns; the command that mends one loads the list, and no table."""
    found = []
    for report, file in zip(reports, prepared.files, strict=True):
        report = with_findings(inventory, report, file, prepared.understood.path, company)
        table = f" --table {file.table}"
        columns = tuple(replace(one, what_to_do=one.what_to_do.replace(table, "")) for one in report.columns)
        found.append(replace(report, columns=columns))
    return found


def store_list(
    inventory: Inventory, prepared: Prepared, allow_again: bool = False, stated_on: date | None = None
) -> list[LoadReport]:
    """Store the tables of a list, one after the other; see :func:`aftersun.inventory.loading.load.load_file`."""
    return [store(inventory, file, prepared.understood.path, allow_again, stated_on) for file in prepared.files]


def doubt_lines(prepared: Prepared) -> list[str]:
    """Return what is doubtful by column and cause, with an example where the cell is nobody's own data."""
    grid, lines = prepared.understood.grid, []
    for doubt in prepared.doubts:
        proposal = prepared.understood.proposal(doubt.target)
        where = "rows" if doubt.cause == "wrong_width" else str(doubt.target)
        text = f"{where}: {len(doubt.rows):,} {'cell' if len(doubt.rows) == 1 else 'cells'}, {cause_text(doubt)}"
        cell = grid.cells[proposal.position].iloc[doubt.rows[0]]
        if (
            not doubt.target.personal
            and of(doubt.target).type != TEXT
            and not pd.isna(cell)
            and doubt.cause != "wrong_width"
        ):
            text += f", e.g. {shown(str(cell).strip())[:40]!r} on line {grid.lines[doubt.rows[0]]}"
        else:
            text += f", e.g. on line {grid.lines[doubt.rows[0]]}"
        lines.append(f"{text}.")
    return lines


def cause_text(doubt: Doubt) -> str:
    """Return why cells are doubtful."""
    entry = of(doubt.target)
    unit = f" {entry.unit}" if entry.unit else ""
    return sentence(doubt.cause, limits=entry.limits, unit=unit, table=doubt.target.table)


def notes_of(understood: Understood, proposal: Proposal) -> list[str]:
    """Return what was decided about the cells of a column, and how many were not understood."""
    if proposal.target is None:
        return []
    column, entry = understood.columns[proposal.target], of(proposal.target)
    unit = proposal.unit or unit_in_heading(entry, understood.grid.headings[proposal.position])
    unit = entry.unit if units_of(entry).get(unit) == 1 else unit
    end = sentence("last" if entry.name.endswith("_until") else "first")
    said = [sentence(note, count=f"{count:,}", unit=unit, end=end) for note, count in column.notes if note in _TOLD]
    return said + ([f"{column.doubtful:,} not understood"] if column.doubtful else [])


def note_lines(understood: Understood) -> list[str]:
    """Return one line for each column that is needed: how many cells were read, and what was decided about them."""
    lines = []
    for proposal in understood.proposals:
        if proposal.target is None:
            continue
        column, said = understood.columns[proposal.target], notes_of(understood, proposal)
        how = "" if proposal.score >= 95 else f", by {proposal.by} ({proposal.score:.0f} %)"
        what = (
            f"{proposal.heading!r} is {proposal.target}{how}: {column.read:,} {'cell' if column.read == 1 else 'cells'}"
        )
        lines.append("; ".join([what, *said]))
    for name, _ in understood.decisions.for_all:
        rows = understood.columns[targets()[name]].read
        lines.append(sentence("for_all", column=name, count=f"{rows:,} {'row' if rows == 1 else 'rows'}"))
    return lines


def without_basis(inventory: Inventory, prepared: Prepared) -> int:
    """Return how many customers of the list may be called by the inventory, but for want of a basis on record."""
    ids = [file.values["customer_id"] for file in prepared.files if file.table == "customer"]
    listed = pd.DataFrame({"customer_id": pd.concat(ids) if ids else pd.Series(dtype="string")})
    with registered(inventory.connection, listed_customers=listed):
        rows = inventory.connection.execute(
            "SELECT count(*) FROM customer LEFT JOIN contact USING (customer_id) "
            "WHERE contact_allowed AND contact_basis IS NULL "
            "AND customer_id IN (SELECT customer_id FROM listed_customers)"
        ).fetchall()
    return int(rows[0][0])


def place_lines(prepared: Prepared) -> list[str]:
    """Return how sites were placed; none if all had a position."""
    placing = prepared.placing
    if placing is None or not placing.by:
        return []
    counts = ", ".join(f"{count:,} by {how}" for how, count in sorted(placing.by.items()))
    lines = [sentence("placed", counts=counts, country=placing.country or "?", km=f"{placing.within_km:.0f}")]
    if placing.several:
        lines.append(sentence("of_several", count=f"{placing.several:,}"))
    return lines


_TOLD = frozenset(
    [
        "decimal_comma",
        "decimal_point",
        "thousands",
        "unit_of_heading",
        "unit_of_mapping",
        "units_in_cells",
        "day_first",
        "month_first",
        "years_only",
        "months_only",
        "short_years",
        "serials",
        "from_south",
        "from_north",
        "compass",
        "o_east",
        "o_west",
        "us_gallons",
        "imperial_gallons",
        "about",
        "choices",
    ]
)


def first_rows(understood: Understood, count: int = 5) -> list[str]:
    """Return the first rows as understood, what is somebody's own data masked."""
    lines = []
    for line, cells in rows_understood(understood, count):
        said = [
            f"{target.column}{'' if target.number == 1 else f' {target.number}'} {text}"
            for target, text in cells.items()
        ]
        lines.append(f"line {line}: {'; '.join(said)}")
    return lines


def rows_understood(understood: Understood, count: int) -> list[tuple[int, dict[Target, str]]]:
    """Return the line of each of the first rows and its cells that say something, personal ones masked."""
    return [
        (
            int(understood.grid.lines[row]),
            {
                target: _masked(target, str(column.text[row]))
                for target, column in understood.columns.items()
                if not pd.isna(column.text[row])
            },
        )
        for row in understood.rows[:count]
    ]


def _masked(target: Target, text: str) -> str:
    if target.table != LIST and not of(target).personal:
        return text
    return " ".join(f"{word[0]}…" for word in text.split())[:40]


@uncollected()
def write_doubtful(prepared: Prepared, folder: Path) -> Path | None:
    """Write the rows with doubtful cells, these marked, into a workbook to be corrected and loaded as the list was.

    None if nothing is doubtful. The name goes by the content, so that the same doubts are written once.

    Raises
    ------
    AftersunError
        If it cannot be written.
    """
    grid, why = prepared.understood.grid, why_doubtful(prepared)
    if not why:
        return None
    rows = sorted(why)
    cells = grid.cells.iloc[rows].fillna("").to_numpy(dtype=object)
    lines = [int(line) for line in grid.lines[rows]]
    digest = hashlib.sha256(
        repr((grid.headings, lines, cells.tolist(), [sorted(why[row].items()) for row in rows])).encode()
    ).hexdigest()[:6]
    stem = _CORRECTED.sub("", prepared.understood.path.stem)
    path = folder / f"{stem}-to-correct-{digest}.xlsx"
    if path.exists():
        return path
    with made_whole(path) as made, xlsxwriter.Workbook(made, {"constant_memory": True}) as book:
        sheet, marked, bold = (
            book.add_worksheet(),
            book.add_format({"bg_color": "#FFEB9C"}),
            book.add_format({"bold": True}),
        )
        sheet.freeze_panes(1, 0)
        for position, heading in enumerate((*grid.headings, "problem_line", "problem")):
            sheet.write_string(0, position, heading, bold)
        for n, (row, line, texts) in enumerate(zip(rows, lines, cells, strict=True), start=1):
            for position, text in enumerate(texts):
                form = marked if position in why[row] else None
                if _MACHINE.match(text):
                    sheet.write_number(n, position, float(text), form)
                elif text or form:
                    sheet.write_string(n, position, text, form)
            sheet.write_number(n, len(grid.headings), line)
            sheet.write_string(n, len(grid.headings) + 1, "; ".join(dict.fromkeys(why[row].values())))
    return path


def why_doubtful(prepared: Prepared) -> dict[int, dict[int, str]]:
    """Return by row of the list and position of a cell why it is doubtful; position -1 is none of the list's own."""
    why: dict[int, dict[int, str]] = {}
    placed = {p.target: p for p in prepared.understood.proposals if p.target is not None}
    for doubt in prepared.doubts:
        proposal, cause = placed[doubt.target], cause_text(doubt)
        for row in doubt.rows:
            why.setdefault(row, {})[proposal.position] = f"{proposal.heading}: {cause}"
    for file in prepared.files:
        rows, problems = prepared.positions[file.table], file.problems
        for row, column, reason in zip(rows[problems["row"]], problems["column"], problems["reason"], strict=True):
            target = Target(file.table, column)
            place = placed[target].position if target in placed else -1
            why.setdefault(int(row), {}).setdefault(place, f"{column}: {reason}")
    return why

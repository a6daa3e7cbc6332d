"""Turns a file of readings, whatever its shape, into one row for each value: of which site, meter, device and time."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd

from aftersun.inventory.office_list import numerals
from aftersun.inventory.office_list.grid import Grid, shown
from aftersun.inventory.office_list.reading import Column, Decisions, Seen, column, uniques
from aftersun.inventory.office_list.vocabulary import plain
from aftersun.inventory.portal_readings import moments, roles
from aftersun.inventory.portal_readings.roles import (
    BEGINS,
    CUSTOMER,
    DEVICE,
    ENDS,
    METER,
    MONTH_OF,
    SITE,
    VALUE,
    WHEN,
    YEAR_OF,
    Proposal,
)
from aftersun.inventory.portal_readings.settings import COUNTER, ENERGY, POWER, PRODUCTION, Settings, Undecided
from aftersun.inventory.store import dictionary

_READING = {entry.name: entry for entry in dictionary.columns("reading")}
_ENTRIES = {
    ENERGY: _READING["kwh"],
    COUNTER: _READING["register_kwh"],
    POWER: replace(_READING["kwh"], name="kw", unit="kW", minimum=None, maximum=None),
}
_YEAR = r"(?:19|20)[0-9]{2}"
_YEARS = re.compile(r"(?<![0-9])((?:19|20)[0-9]{2})(?![0-9])")


@dataclass(frozen=True)
class Doubt:
    """Cells of a column that are doubtful for one cause: ``rows`` are positions in the file."""

    position: int
    cause: str
    rows: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Values:
    """One row for each value.

    ``frame`` has row and position in the file, site, customer and device as written, meter, quantity, at (the day,
    month or moment as written), until (NaT where no end is written), kind, offset_min (NaN if not said), late (written
    as 24:00) and value (kWh or kW, as far as the unit is known). ``units`` says by position which unit was taken, empty
    if nothing names one.
    """

    frame: pd.DataFrame
    units: dict[int, str]
    doubts: list[Doubt] = field(default_factory=list)
    notes: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class _File:
    path: Path
    grid: Grid
    proposals: Sequence[Proposal]
    settings: Settings
    doubts: list[Doubt]
    notes: list[tuple[str, str]]

    @property
    def rows(self) -> pd.Index:
        return pd.Index(np.flatnonzero(self.grid.fits))

    def of(self, *kinds: str) -> list[Proposal]:
        """Return the columns of these kinds, in the order of the file."""
        return [p for p in self.proposals if p.role is not None and p.role.kind in kinds]

    def cells(self, position: int) -> pd.Series:
        """Return the cells of a column, of the rows whose cells can be told apart."""
        return self.grid.cells[position].iloc[self.rows]

    def texts(self, kind: str) -> pd.Series:
        """Return the cells of the column of a kind, none if there is no such column."""
        found = self.of(kind)
        if not found:
            return pd.Series(pd.NA, index=self.rows, dtype="string")
        cells = self.cells(found[0].position).str.strip().map(shown, na_action="ignore").astype("string")
        return cells.mask(cells == "")

    @property
    def said_above(self) -> str:
        """What stands above the headings, on the sheet's tab and in the file's name."""
        return f"{self.grid.title} {self.grid.sheet} {self.path.stem}"


def as_values(path: Path, grid: Grid, proposals: Sequence[Proposal], settings: Settings) -> Values:
    """Return all values of a file.

    Raises
    ------
    Undecided
        If a year, the order of day and month, the decimal sign or the kind of meter cannot be told.
    """
    file = _File(path, grid, proposals, settings, [], [])
    when = _when(file)
    values, units = _numbers(file)
    parts = []
    for proposal in file.of(VALUE, MONTH_OF, YEAR_OF):
        if proposal.position not in values:
            continue
        read = values[proposal.position]
        part = when.assign(
            row=file.rows,
            position=proposal.position,
            value=read.text.astype("Float64").to_numpy(np.float64, na_value=np.nan),
        )
        part = _of_heading(proposal, part)
        part["meter"], part["quantity"] = _meters(file, proposal), _quantity(file, proposal)
        part["device"] = _device(file, proposal)
        parts.append(part[read.text.notna().to_numpy()])
    if not parts:
        raise Undecided("columns")
    frame = pd.concat(parts, ignore_index=True)
    frame["site"], frame["customer"] = (frame["row"].map(file.texts(kind)) for kind in (SITE, CUSTOMER))
    undated = frame["at"].isna()
    told = any(doubt.cause == "no_year" for doubt in file.doubts)
    if file.of(MONTH_OF, YEAR_OF) and undated.any() and not told and (frame.loc[undated, "cause"] == "no_year").all():
        raise Undecided("year")
    return Values(frame[~undated].drop(columns="cause").reset_index(drop=True), units, file.doubts, file.notes)


# --- when -----------------------------------------------------------------------------------------------------------


def _when(file: _File) -> pd.DataFrame:
    """Return by row what it says of when: at, until, kind, offset_min, late, cause."""
    columns = file.of(WHEN, BEGINS, ENDS, roles.MONTH)
    distinct = {p.position: uniques(file.cells(p.position)) for p in columns}
    first = _order(file, [text for _, texts in distinct.values() for text in texts])
    said = {p.position: _said(file, p, *distinct[p.position], first) for p in columns}
    dated = [p for p in file.of(BEGINS, WHEN) if (said[p.position]["kind"] != moments.CLOCK).mean() >= 0.5]
    dated.sort(key=lambda p: not (said[p.position]["kind"] == moments.MOMENT).any())
    clocks = [p for p in file.of(BEGINS, WHEN) if p not in dated]
    months = file.of(roles.MONTH)
    if dated:
        found, cause_of = said[dated[0].position].copy(), dated[0]
        if clocks and not (found["kind"] == moments.MOMENT).any():
            found = _with_clock(found, said[clocks[0].position])
    elif months:
        found, cause_of = said[months[0].position].copy(), months[0]
    else:
        found, cause_of = _nothing(file.rows), None
    found = _with_year(file, found)
    if cause_of is not None:
        wrong = found["cause"].notna() & ~((found["cause"] == "no_year") & bool(file.of(YEAR_OF)))
        for cause, rows in found.loc[wrong, "cause"].groupby(found.loc[wrong, "cause"]).groups.items():
            if cause == "day_or_month":
                raise Undecided("dates")
            file.doubts.append(Doubt(cause_of.position, str(cause), tuple(map(int, rows))))
    found["until"] = pd.NaT
    found["begins"] = cause_of is not None and cause_of.role is not None and cause_of.role.kind == BEGINS
    if ends := file.of(ENDS):
        until = said[ends[0].position]
        if (until["kind"] == moments.CLOCK).any():
            day = found["at"].dt.normalize()
            at = day + (until["at"] - pd.Timestamp(1970, 1, 1))
            until = until.assign(at=at.mask(at <= found["at"], at + pd.Timedelta(days=1)))
        elif (until["kind"] == moments.DAY).any() and (found["kind"] == moments.DAY).any():
            until = until.assign(at=until["at"] + pd.Timedelta(days=1))  # "from 1 to 31 March" has the 31st in it
            file.notes.append(("last_day_counts", ""))
        found["until"] = until["at"]
    if said and any(frame["seconds"].any() for frame in said.values()):
        file.notes.append(("seconds", ""))
    return found[["at", "until", "begins", "kind", "offset_min", "late", "cause"]]


def _order(file: _File, texts: Sequence[str]) -> str:
    seen = moments.evidence(texts)
    if file.settings.dates:
        return file.settings.dates
    if len(seen.dates) == 1:
        (first,) = seen.dates
        file.notes.append((first.replace(" ", "_"), ""))
        return first
    return "day first" if file.settings.language not in ("", "en") and not seen.dates else ""


def _nothing(rows: pd.Index) -> pd.DataFrame:
    empty = {"kind": None, "at": pd.NaT, "offset_min": np.nan, "late": False, "seconds": False, "cause": None}
    return pd.DataFrame(empty, index=rows).astype({"at": "datetime64[us]", "kind": "object", "cause": "object"})


def _said(file: _File, proposal: Proposal, codes: np.ndarray, texts: list[str], first: str) -> pd.DataFrame:
    reads = [moments.read(text, first) for text in texts]
    if proposal.role is not None and proposal.role.kind == roles.MONTH:
        reads = [_of_month_column(text, read) for text, read in zip(texts, reads, strict=True)]
    table = pd.DataFrame(
        {
            "kind": [read.kind or None for read in reads] + [None],
            "at": pd.array([read.at for read in reads] + [None], dtype="datetime64[us]"),
            "offset_min": [np.nan if read.offset_min is None else float(read.offset_min) for read in reads] + [np.nan],
            "late": [read.late for read in reads] + [False],
            "seconds": [read.seconds for read in reads] + [False],
            "cause": [read.cause or None for read in reads] + [None],
        }
    ).astype({"kind": "object", "cause": "object"})
    if (table["kind"] == moments.MOMENT).any():  # a spreadsheet shows midnight as a mere day
        table["kind"] = table["kind"].replace(moments.DAY, moments.MOMENT)
    return table.iloc[codes].set_axis(file.rows)


def _of_month_column(text: str, read: moments.Said) -> moments.Said:
    """Return a month by its number alone, as in a column of months."""
    bare = shown(text.strip())
    if bare.isdigit() and 1 <= int(bare) <= 12:
        return moments.Said(moments.MONTH, datetime(1970, int(bare), 1), cause="no_year")
    return read


def _with_clock(days: pd.DataFrame, clock: pd.DataFrame) -> pd.DataFrame:
    """Return days with the times of another column; a day without one stays unknown."""
    at = days["at"] + (clock["at"] - pd.Timestamp(1970, 1, 1))
    cause = days["cause"].mask(days["cause"].isna() & at.isna() & days["at"].notna(), "no_time")
    return days.assign(at=at, kind=moments.MOMENT, late=clock["late"], seconds=clock["seconds"], cause=cause)


def _with_year(file: _File, found: pd.DataFrame) -> pd.DataFrame:
    """Give months that name no year the one of the year's column, of the title, or that was said."""
    lacking = found["cause"] == "no_year"
    bare = found["at"].isna() & found["cause"].isna()
    if not (lacking | bare).any():
        return found
    said = file.texts(roles.YEAR)
    years = said.where(said.str.fullmatch(_YEAR).fillna(False)).astype("Float64")
    if years.notna().any():
        unread = (lacking | bare) & years.isna()
        if unread.any():
            rows = tuple(map(int, found.index[unread]))
            file.doubts.append(Doubt(file.of(roles.YEAR)[0].position, "no_year", rows))
            found = found.assign(at=found["at"].mask(unread, pd.NaT), cause=found["cause"].mask(unread, None))
            lacking, bare = lacking & ~unread, bare & ~unread
    elif not file.of(YEAR_OF):
        years = years.fillna(_year_above(file) or pd.NA)
    if file.of(MONTH_OF):
        whole = years.map(lambda year: datetime(int(year), 1, 1), na_action="ignore")
        at = found["at"].mask(bare & years.notna(), pd.to_datetime(whole))
        return found.assign(at=at, kind=found["kind"].mask(bare & years.notna(), moments.YEAR))
    dated = lacking & years.notna()
    moved = [
        moment.replace(year=int(year)) if change else moment
        for moment, year, change in zip(found["at"], years, dated, strict=True)
    ]
    found = found.assign(at=pd.Series(moved, index=found.index).astype("datetime64[us]"))
    found["cause"] = found["cause"].mask(dated, None)
    still = found["cause"] == "no_year"
    if still.any() and not file.of(YEAR_OF) and not dated.any():
        raise Undecided("year")
    return found.assign(at=found["at"].mask(still & ~bool(file.of(YEAR_OF)), pd.NaT))


def _year_above(file: _File) -> int | None:
    if file.settings.year:
        return int(file.settings.year)
    years = set(_YEARS.findall(file.said_above))
    if len(years) != 1:
        return None
    (year,) = years
    file.notes.append(("year_above", year))
    return int(year)


def _of_heading(proposal: Proposal, part: pd.DataFrame) -> pd.DataFrame:
    """Give values of months or years that stand side by side their time."""
    role = proposal.role
    if role is None or role.kind == VALUE:
        return part
    if role.kind == MONTH_OF and role.year:
        at = pd.Series(pd.Timestamp(role.year, role.month, 1), index=part.index)
    elif role.kind == MONTH_OF:
        at = part["at"].where(part["kind"] == moments.YEAR) + pd.DateOffset(months=role.month - 1)
    else:
        at = part["at"].map(lambda moment: moment.replace(year=role.year), na_action="ignore")
        at = at.where(part["kind"] == moments.MONTH)
    cause = part["cause"].mask(at.notna(), None).mask(at.isna() & part["cause"].isna(), "no_year")
    at = pd.Series(at, index=part.index).astype("datetime64[us]")
    return part.assign(at=at, until=pd.Series(pd.NaT, index=part.index), kind=moments.MONTH, cause=cause)


# --- what -----------------------------------------------------------------------------------------------------------


def _numbers(file: _File) -> tuple[dict[int, Column], dict[int, str]]:
    """Return by position the values as texts in kWh or kW, and the unit that was taken, empty if none is named."""
    wanted = file.of(VALUE, MONTH_OF, YEAR_OF)
    above = roles.unit_of(file.grid.title)
    entries = {p.position: _ENTRIES[_quantity(file, p)] for p in wanted}
    units = {p.position: _unit(file, p, above) for p in wanted}
    distinct = {p.position: uniques(file.cells(p.position)) for p in wanted}
    own = {at: numerals.evidence(entries[at], texts) for at, (_, texts) in distinct.items()}
    listed = Seen()
    for seen in own.values():
        listed |= seen
    decisions = Decisions(language=file.settings.language, decimal=file.settings.decimal)
    found = {}
    for position, (codes, texts) in distinct.items():
        reads = numerals.read(entries[position], texts, decisions, listed, listed, units[position])
        read = column(file.cells(position), codes, reads)
        causes = read.cause.dropna()
        if (causes == "decimal_or_thousands").any():
            raise Undecided("decimal")
        if not units[position] and read.read and dict(read.notes).get("units_in_cells", 0) >= read.read / 2:
            units[position] = "cells"
        if len(causes) > len(file.rows) / 2:
            raise Undecided("columns")
        for cause, rows in causes.groupby(causes).groups.items():
            file.doubts.append(Doubt(position, str(cause), tuple(map(int, rows))))
        found[position] = read
    if len(listed.decimal) == 1:
        file.notes.append(({",": "decimal_comma", ".": "decimal_point"}[next(iter(listed.decimal))], ""))
    return found, units


def _unit(file: _File, proposal: Proposal, above: str) -> str:
    said, quantity = file.settings.unit, _quantity(file, proposal)
    for unit in (said, proposal.unit, above):
        if unit and (roles.quantity_in(unit) == POWER) == (quantity == POWER):
            return unit
    return ""


def _quantity(file: _File, proposal: Proposal) -> str:
    """Return what a column of values is; of months side by side energy."""
    own = proposal.role.quantity if proposal.role else ""
    if file.settings.quantity and own != POWER:
        return file.settings.quantity
    return own or ENERGY


def _meters(file: _File, proposal: Proposal) -> pd.Series | str:
    """Return the meter of a column: by its heading, by a column that names it, by what stands above, or as said."""
    role = proposal.role
    if role is not None and role.meter:
        return role.meter
    if file.of(METER):
        cells = file.texts(METER)
        named = {text: roles.meter_called(str(text)) for text in cells.dropna().unique()}
        meters = cells.map(named).to_numpy()
        strange = cells.notna() & (cells.map(named).fillna("") == "")
        if strange.any():
            rows = tuple(map(int, cells.index[strange]))
            file.doubts.append(Doubt(file.of(METER)[0].position, "no_meter", rows))
        return pd.Series(meters)
    if file.settings.meter:
        return file.settings.meter
    if roles.names_production(file.said_above):
        file.notes.append(("production_above", ""))
        return PRODUCTION
    raise Undecided("meter", column=proposal.heading)


def _device(file: _File, proposal: Proposal) -> pd.Series | str:
    """Return which device a value is of: by its column, and by the heading where several columns are alike."""
    alike = [p for p in file.of(VALUE) if p.role == proposal.role]
    heading = plain(proposal.heading) if len(alike) > 1 else ""
    return pd.Series((file.texts(DEVICE).fillna("") + heading).to_numpy()) if file.of(DEVICE) else heading


def check_alike(proposals: Sequence[Proposal]) -> None:
    """Check that columns of values which say the same are of different devices: alike but for a number.

    Raises
    ------
    Undecided
        If they are not: nobody knows which is meant.
    """
    groups: dict[roles.Role, list[Proposal]] = {}
    for proposal in proposals:
        if proposal.role is not None and proposal.role.kind == VALUE:
            groups.setdefault(proposal.role, []).append(proposal)
    for several in groups.values():
        names = {re.sub(r"[0-9# ]+", "", plain(roles.without_unit(p.heading))) for p in several}
        if len(names) > 1 or len({p.unit for p in several}) > 1:
            raise Undecided("columns_alike", first=several[0].heading, second=several[1].heading)


def without_repeats(proposals: Sequence[Proposal]) -> tuple[list[Proposal], list[tuple[str, str]]]:
    """Return columns without those that tell a meter's energy once more: as power, as a counter, or of all meters."""
    of_values = [p for p in proposals if p.role is not None and p.role.kind == VALUE]
    kept, notes = list(proposals), []
    named = {p.role.meter for p in of_values if p.role and p.role.meter}
    for proposal in of_values:
        role = proposal.role
        if role is None:
            continue
        better = [
            p
            for p in of_values
            if p.role and p.role.meter == role.meter and _RANK[p.role.quantity] < _RANK[role.quantity]
        ]
        if better or (named and not role.meter):
            kept[proposal.position] = replace(proposal, role=None)
            if better:
                notes.append(("told_again", proposal.heading))
    return kept, notes


_RANK = {ENERGY: 0, POWER: 1, COUNTER: 2, "": 3}

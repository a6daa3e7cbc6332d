"""Loads readings as a portal exports them: understood, asked what cannot be told, stored as any table is."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd

import aftersun_datasets
from aftersun.inventory.loading.bounds import Progress, uncollected
from aftersun.inventory.loading.checked_file import CheckedFile, check_file
from aftersun.inventory.loading.raw_table import RawTable
from aftersun.inventory.office_list.grid import Grid, read_grid, shown
from aftersun.inventory.places import zone_at
from aftersun.inventory.portal_readings import clocks, energy, roles, shapes
from aftersun.inventory.portal_readings.mapping import ReadingMapping, applied
from aftersun.inventory.portal_readings.roles import CUSTOMER, SITE, Proposal
from aftersun.inventory.portal_readings.settings import Settings, Undecided
from aftersun.inventory.portal_readings.shapes import Doubt
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.refusals import refusal
from aftersun.model.errors import AftersunError

_DATED = re.compile(r"(?:19|20)[0-9]{2}(?:[0-9]{2}){0,2}$")
_SHORTEST = 3  # characters of a number that is looked for in the name of a file: "1" is one of anything
_LONGEST_NUMBER = 6  # parts of a number with signs between
_SHOWN = 5


@dataclass(frozen=True, eq=False)
class Sites:
    """What readings go by, by site_id: customer_id, latitude, longitude, demand_kwh, dc_kw."""

    table: pd.DataFrame

    @property
    def expected(self) -> energy.Expected:
        """What the readings of each can be held against."""
        return energy.Expected(self.table["dc_kw"], self.table["demand_kwh"])

    def called(self, text: str) -> list[str]:
        """Return the sites of that number, or of the customer of that number."""
        return self._by_number.get(text.strip().casefold(), [])

    @cached_property
    def _by_number(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for site_id, customer in self.table["customer_id"].items():
            found.setdefault(str(customer).casefold(), []).append(str(site_id))
        return found | {str(site_id).casefold(): [str(site_id)] for site_id in self.table.index}

    def in_name(self, name: str) -> set[str]:
        """Return the sites whose number, or whose customer's, stands in the name of a file; a year is none."""
        if found := self.called(name):
            return set(found)
        parts = re.split(r"([^0-9A-Za-z]+)", name)
        matches: dict[tuple[int, int], list[str]] = {}
        for first in range(0, len(parts), 2):
            for last in range(first, min(len(parts), first + 2 * _LONGEST_NUMBER), 2):
                text = "".join(parts[first : last + 1])
                if len(text) >= _SHORTEST and not _DATED.match(text) and (sites := self.called(text)):
                    matches[first, last] = sites
        longest = {
            span: sites
            for span, sites in matches.items()
            if not any(other != span and other[0] <= span[0] and span[1] <= other[1] for other in matches)
        }
        return {site for sites in longest.values() for site in sites}


def sites_of(inventory: Inventory) -> Sites:
    """Return the sites of an inventory."""
    table = inventory.connection.execute(
        "SELECT site_id, customer_id, latitude, longitude, annual_demand_kwh AS demand_kwh, "
        '(SELECT sum(dc_rating_kw) FROM "array" WHERE "array".site_id = site.site_id) AS dc_kw FROM site'
    ).df()
    return Sites(table.set_index("site_id"))


@dataclass(frozen=True, eq=False)
class Prepared:
    """Readings ready to be stored: the checked table, what was decided (code and figure), and what is in doubt.

    ``frame`` has the values as :func:`aftersun.inventory.portal_readings.energy.added_up` takes and gives them.
    """

    path: Path
    grid: Grid
    proposals: tuple[Proposal, ...]
    settings: Settings
    file: CheckedFile
    notes: tuple[tuple[str, str], ...]
    doubts: tuple[Doubt, ...]
    frame: pd.DataFrame


@uncollected()
def prepare(
    path: Path,
    sites: Sites,
    settings: Settings,
    said: ReadingMapping | None = None,
    sheet: str = "",
    progress: Progress | None = None,
) -> Prepared:
    """Read an export of readings; ``settings`` go before those of the mapping file ``said``.

    Raises
    ------
    Undecided
        If something cannot be told that a setting would settle, or that makes no sense as it stands.
    AftersunError
        If it cannot be read, or none of its sites is known.
    """
    return from_grid(path, read_export(path, sheet or (said.sheet if said else ""), progress), sites, settings, said)


def read_export(path: Path, sheet: str = "", progress: Progress | None = None) -> Grid:
    """Read the rows of an export under its headings.

    Raises
    ------
    AftersunError
        As :func:`aftersun.inventory.office_list.grid.read_grid`.
    """
    return read_grid(path, sheet, progress, roles.is_known)


def from_grid(path: Path, grid: Grid, sites: Sites, settings: Settings, said: ReadingMapping | None = None) -> Prepared:
    """Read an export whose rows are read; see :func:`prepare`."""
    if said is not None:
        ours = {name: value or getattr(said.settings, name) for name, value in vars(settings).items()}
        settings = Settings(**ours)
    settings = replace(settings, language=settings.language or roles.language_of(grid.headings))
    proposals = roles.propose(grid, settings.language)
    if said is not None:
        proposals = applied(proposals, said)
    proposals, left = shapes.without_repeats(proposals)
    shapes.check_alike(proposals)
    values = shapes.as_values(path, grid, proposals, settings)
    notes, doubts = [*left, *dict.fromkeys(values.notes)], list(values.doubts)
    frame, found = _with_sites(path, grid, proposals, values.frame, sites, settings)
    notes += found.notes
    doubts += found.doubts
    if frame.empty:
        raise refusal("no_such_sites", name=path.name)
    if not settings.quantity:
        try:
            frame, judged = energy.judged(frame)
        except Undecided as open_one:
            raise _with_heading(open_one, proposals) from None
        notes += judged
    frame = frame.assign(written=frame["at"])
    # a site whose place nobody knows is taken to have the clock of the others
    where = sites.table[["latitude", "longitude"]].fillna(sites.table[["latitude", "longitude"]].median())
    if where.isna().to_numpy().any():
        raise refusal("no_clock", name=path.name)
    zones = {site: zone_at(*where.loc[site]) for site in frame["site_id"].unique()}
    standard = {site: clocks.standard_offset(zone, int(frame["at"].dt.year.min())) for site, zone in zones.items()}
    frame, clock, causes = clocks.to_standard(frame, pd.Series(zones), settings.clock, pd.Series(standard))
    notes += [(f"by_{clock}".replace(" ", "_"), "")] if clock else []
    frame, lost = _without(frame, causes)
    doubts += lost
    frame, step, labels = clocks.intervals(frame, settings.labels)
    if step is not None:
        notes.append((f"times_are_{labels}s", f"{step / pd.Timedelta(minutes=1):g}"))
    frame = energy.as_energy(frame.assign(power=frame["quantity"] == "power"))
    if frame["power"].any():
        notes.append(("power_as_mean", ""))
    try:
        frame, by_size = energy.in_kwh(frame, values.units, sites.expected, bool(settings.unit))
    except Undecided as open_one:
        raise _with_heading(open_one, proposals) from None
    notes += by_size
    frame, unsure, count = energy.added_up(frame)
    first = next(
        p.position for p in proposals if p.role and p.role.kind in (roles.VALUE, roles.MONTH_OF, roles.YEAR_OF)
    )
    doubts += [Doubt(first, cause, tuple(rows)) for cause, rows in unsure.items()]
    if count > 1:
        notes.append(("added_up", str(count)))
    frame = frame.assign(line=grid.lines[frame["row"]])
    table = energy.as_table(frame)
    return Prepared(path, grid, tuple(proposals), settings, _checked(path, table), tuple(notes), tuple(doubts), frame)


def of_two_devices(prepared: Sequence[Prepared]) -> bool:
    """Tell whether files give the same meter different values at the same time, as of two inverters of one site."""
    frames = [one.frame[[*energy.KEY, "value"]].assign(file=n) for n, one in enumerate(prepared)]
    everything = pd.concat(frames)
    several = everything.groupby(energy.KEY)["file"].transform("nunique") > 1
    return bool((everything[several].groupby(energy.KEY)["value"].nunique() > 1).any())


def together(prepared: Sequence[Prepared]) -> Prepared:
    """Return the readings of several files as one, devices added up; of the first file, with the notes of all."""
    frames = [one.frame.assign(device=one.path.name) for one in prepared]
    frame, unsure, count = energy.added_up(pd.concat(frames, ignore_index=True))
    notes = dict.fromkeys(note for one in prepared for note in one.notes)
    silent = sum(map(len, unsure.values()))
    more = [("added_up", str(count)), *([("silent_files", str(silent))] if silent else [])]
    table = energy.as_table(frame)
    return replace(prepared[0], file=_checked(prepared[0].path, table), notes=(*notes, *more), frame=frame)


def _with_heading(undecided: Undecided, proposals: list[Proposal]) -> Undecided:
    figures = dict(undecided.figures)
    if isinstance(position := figures.get("position"), int):
        figures["column"] = proposals[position].heading
    return Undecided(undecided.setting, **figures)


@dataclass
class _Found:
    notes: list[tuple[str, str]]
    doubts: list[Doubt]


def _with_sites(
    path: Path,
    grid: Grid,
    proposals: list[Proposal],
    frame: pd.DataFrame,
    sites: Sites,
    settings: Settings,
) -> tuple[pd.DataFrame, _Found]:
    """Return values with their site; rows whose site is not known, or may be several, are left out and told."""
    found = _Found([], [])
    by_kind = {p.role.kind: p for p in proposals if p.role is not None and p.role.kind in (SITE, CUSTOMER)}
    written = frame["site"].fillna(frame["customer"])
    if settings.site:
        if settings.site not in sites.table.index:
            raise refusal("no_such_sites", name=path.name)
        return frame.assign(site_id=settings.site), found
    if by_kind and written.notna().any():
        called = {text: sites.called(str(text)) for text in written.dropna().unique()}
        one = {text: ids[0] if len(ids) == 1 else None for text, ids in called.items()}
        ids = written.map(one)
        column = (by_kind.get(SITE) or by_kind[CUSTOMER]).position
        several = written.map({text: len(ids) > 1 for text, ids in called.items()}).fillna(False).astype(bool)
        for cause, rows in (("several_sites", several), ("no_such_site", ids.isna() & ~several)):
            if rows.any():
                found.doubts.append(Doubt(column, cause, tuple(sorted(set(map(int, frame.loc[rows, "row"]))))))
        if ids.notna().any() or len(called) > 1:
            return frame.assign(site_id=ids)[ids.notna()].reset_index(drop=True), found
        found.doubts.clear()  # a name of the portal's own: the file is of one site
    for name, note in ((path.stem, "site_by_name"), (grid.title, "site_above"), (grid.sheet, "site_by_sheet")):
        named = sites.in_name(name)
        if len(named) == 1:
            (site,) = named
            found.notes.append((note, site))
            return frame.assign(site_id=site), found
        if named:
            break
    raise Undecided("site")


def _without(frame: pd.DataFrame, causes: np.ndarray) -> tuple[pd.DataFrame, list[Doubt]]:
    there = pd.Series(causes, index=frame.index)
    doubts = [
        Doubt(int(frame["position"].iloc[0]), str(cause), tuple(sorted(set(map(int, frame.loc[rows, "row"])))))
        for cause, rows in there.groupby(there).groups.items()
    ]
    return frame[there.isna()].reset_index(drop=True), doubts


def _checked(path: Path, table: pd.DataFrame) -> CheckedFile:
    cells = pd.DataFrame({n: table[name].array for n, name in enumerate(table.columns)}, dtype="string")
    width = np.full(len(table), len(table.columns), dtype=np.int64)
    raw = RawTable(tuple(table.columns), cells, table.index.to_numpy(), width, {}, decimal_comma=False)
    return check_file("reading", path.name, raw)


# --- what is said ---------------------------------------------------------------------------------------------------


def note_lines(prepared: Prepared) -> list[str]:
    """Return one line for each column that is needed, and for each thing that was decided."""
    lines = []
    for proposal in prepared.proposals:
        if proposal.role is None or proposal.role.kind in (roles.MONTH_OF, roles.YEAR_OF):
            continue
        how = "" if proposal.score >= 95 else f", by {proposal.by} ({proposal.score:.0f} %)"
        unit = f" in {_UNIT_NAMES.get(proposal.unit, proposal.unit)}" if proposal.unit else ""
        lines.append(f"{proposal.heading!r} is {proposal.role}{unit if proposal.role.kind == roles.VALUE else ''}{how}")
    beside = [p.heading for p in prepared.proposals if p.role and p.role.kind in (roles.MONTH_OF, roles.YEAR_OF)]
    if beside:
        lines.append(sentence("side_by_side", count=len(beside), first=beside[0], last=beside[-1]))
    return [*lines, *(sentence(code, figure=_UNIT_NAMES.get(figure, figure)) for code, figure in prepared.notes)]


_UNIT_NAMES = {"wh": "Wh", "kwh": "kWh", "mwh": "MWh", "w": "W", "kw": "kW", "mw": "MW"}


def left_out(prepared: Prepared) -> list[str]:
    """Return the headings of columns that nobody needs."""
    return [p.heading for p in prepared.proposals if p.role is None]


def first_rows(prepared: Prepared) -> list[str]:
    """Return the first readings as understood."""
    shown_rows = prepared.file.text.head(_SHOWN).fillna("").to_dict("records")
    return [
        f"{row['site_id']} {row['meter']}: {row['starts_at']}"
        + (f" to {row['ends_at']}, {row['kwh']} kWh" if row["kwh"] else f", counter at {row['register_kwh']} kWh")
        for row in shown_rows
    ]


def doubt_lines(prepared: Prepared) -> list[str]:
    """Return what is doubtful by column and cause, with an example."""
    lines = []
    for doubt in prepared.doubts:
        cell = prepared.grid.cells[doubt.position].iloc[doubt.rows[0]]
        count = f"{len(doubt.rows):,} {'row' if len(doubt.rows) == 1 else 'rows'}"
        example = "" if pd.isna(cell) else f"{shown(str(cell).strip())[:40]!r} "
        heading = prepared.proposals[doubt.position].heading
        line = prepared.grid.lines[doubt.rows[0]]
        lines.append(f"{heading!r}: {count}, {sentence(doubt.cause)}, e.g. {example}on line {line}.")
    return lines


def refused(undecided: Undecided, name: str, mapping: Path, values: str) -> AftersunError:
    """Return the error that refuses a file for what is left open: ``values`` are what the setting may be."""
    figures = undecided.figures
    match undecided.setting:
        case "columns_alike":
            first, second = figures["first"], figures["second"]
            return refusal("readings_columns_alike", name=name, path=mapping, first=first, second=second)
        case "columns":
            return refusal("readings_columns", name=name, path=mapping)
        case "no_step":
            return refusal("readings_no_step", name=name)
        case "running_total":
            return refusal("readings_running_total", name=name)
        case "power_of_days":
            return refusal("readings_power_of_days", name=name)
    setting = undecided.setting
    return refusal("readings_undecided", name=name, question=question(undecided), setting=setting, values=values)


def not_of_one_device(prepared: Sequence[Prepared]) -> AftersunError:
    """Return the error that refuses files which may be of two inverters or a correction."""
    return refusal("readings_of_two", names=" and ".join(one.path.name for one in prepared))


def question(undecided: Undecided) -> str:
    """Return what somebody has to be asked."""
    return sentence(f"ask_{undecided.setting}", **_figures(undecided))


def _figures(undecided: Undecided) -> Mapping[str, object]:
    figures = dict(undecided.figures)
    for name in ("named", "likely"):
        figures[name] = _UNIT_NAMES.get(str(figures.get(name, "")), "")
    if undecided.setting == "unit":
        figures["how"] = sentence("unit_unnamed" if not figures["named"] else "unit_doubted", **figures)
    return figures


def sentence(code: str, **figures: object) -> str:
    """Return what ``reading_sentences.csv`` says of a code, with its figures."""
    rows = aftersun_datasets.rows("reading_sentences.csv", "aftersun.inventory")
    return next(row["sentence"] for row in rows if row["code"] == code).format_map(figures)

"""What an output is, and what it may read: one stored run, through one read-only view."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Protocol

import pandas as pd

from aftersun.model.change import Note
from aftersun.model.letter import Letter

OF_RUN = "run"  # one file or a few for a whole run
OF_LETTER = "letter"  # one file for each letter


@dataclass(frozen=True)
class Letterhead:
    """How the company writes: section [letter] of the company file, read and checked.

    ``logo`` holds a PNG, JPEG or SVG picture, None = none. ``words`` are the texts of the company's language file by
    key, on top of the output's own. ``paper`` is a4 or letter. Colours are #rrggbb.
    """

    name: str  # the company's
    address: tuple[str, ...]  # line by line
    contact: tuple[str, ...]  # telephone, e-mail, registration: one line each
    closing: tuple[str, ...]  # small print at the foot, one line each; safety texts never stand there
    logo: bytes | None  # picture, None = none
    logo_format: str  # png, jpg, svg or ""
    accent_colour: str  # #rrggbb
    paper: str  # a4 or letter
    language: str  # two-letter code of ISO 639-1
    words: Mapping[str, str]  # texts by key, on top of the output's own
    decimal_mark: str  # in numbers
    thousands_mark: str  # in numbers
    date_format: str  # as strftime takes it; "" = as is usual in language and country
    currency_first: bool  # currency before the number
    country: str = ""  # two letters of ISO 3166-1; "" = not said


@dataclass(frozen=True, eq=False)
class SafetyNotes:
    """Which safety notes of a run stand where, small enough for a hundred thousand sites.

    A run has millions of rows of few different notes, so each is there once. The notes of a retrofit on a site are one
    of ``sets``: positions in ``notes``, rising. A note's ``source`` and ``tell_owner`` are not told here.
    """

    notes: tuple[Note, ...]  # each different one once, worst first
    sets: tuple[tuple[int, ...], ...]  # each different set once
    where: pd.DataFrame  # site_id, retrofit, set: position in sets; by site and retrofit


@dataclass(frozen=True)
class Price:
    """Money with tax; decided + counted is the expected price."""

    decided: float  # asked in any case
    if_needed: float = 0.0  # more, if all that may be needed is
    counted: float = 0.0  # of that what net present value, payback and course reckon with, each part at its chance
    items: tuple[str, ...] = ()  # keys of the price book that may be needed


class RunView(Protocol):
    """One stored run, read only. Tables are those of core/README.md, section on stored results."""

    @property
    def run_id(self) -> str:
        """Its id."""

    @property
    def as_of(self) -> date:
        """The day that ages and prices are taken at."""

    @property
    def made_at(self) -> datetime:
        """When it was finished, UTC."""

    @property
    def made_from(self) -> Mapping[str, Any]:
        """What it was made from and with: program_version, plugin_versions, input_hashes, seed, sites, failures."""

    @property
    def company(self) -> Mapping[str, Any]:
        """The company file as the run used it."""

    @property
    def currency(self) -> str:
        """The currency of all amounts."""

    @property
    def letterhead(self) -> Letterhead:
        """How the company writes."""

    @property
    def personal(self) -> bool:
        """Whether names and addresses may be read; without, ``contacts`` is empty and site numbers are pseudonyms."""

    def table(self, name: str, site_id: str | None = None) -> pd.DataFrame:
        """Return the rows of a result table, of the whole run or of one site."""

    def sites(self) -> pd.DataFrame:
        """Return the technical facts of all sites as the inventory has them now, columns of the dictionary."""

    def arrays(self) -> pd.DataFrame:
        """Return all arrays as the inventory has them now."""

    def places(self) -> pd.DataFrame:
        """Return the larger towns among the sites, for a map: name, latitude, longitude, people."""

    def contacts(self) -> pd.DataFrame:
        """Return name, street, town, phone and email by customer_id, of those on the call list or in a letter alone."""

    def titles(self) -> Mapping[str, str]:
        """Return the title of each retrofit by id."""

    def members(self, offer: str) -> Sequence[str]:
        """Return the retrofits that an offer consists of."""

    def calls(self) -> pd.DataFrame:
        """Return the sites to call, first one first."""

    def worth_it(self) -> tuple[int, int]:
        """Return at how many sites something is worth it as it is, and at how many more if the answers allow it."""

    def prices(self, site_ids: Sequence[str]) -> Mapping[tuple[str, str], Price]:
        """Return what each offer and valued retrofit costs, by site and its id."""

    def delivered(self) -> pd.DataFrame:
        """Return what done work delivered against its promises, a row a retrofit that has any measured.

        Columns retrofit, works, unmeasured; promised_kwh and delivered_kwh a year; came of the promise at these roofs
        and all_roofs to expect of roofs as they are, shares, each with _low and _high of its 90 % interval; bias_kwh
        and bias_money a year; how many results lay below_p90, p90_to_promise, promise_to_p10, above_p10.
        """

    def call_texts(self) -> Mapping[str, str]:
        """Return what to say on each call, by site_id."""

    def to_tell(self) -> pd.DataFrame:
        """Return the dangers known to stand: site_id, note_id, severity, text, who."""

    def hazards(self) -> pd.DataFrame:
        """Return whom to notify of them, a row a site: site_id, note_ids, name, street, town, phone, email and more."""

    def safety_notes(self) -> SafetyNotes:
        """Return all safety notes of the run; use it in place of the table for more than a few sites."""

    def letters(self) -> Sequence[Letter]:
        """Return the letters to write; empty for an output of a whole run."""


class Output(Protocol):
    """Something made from a stored run."""

    @property
    def id(self) -> str:
        """Its name on the command line: lower-case letters, digits and underscores."""

    @property
    def writes(self) -> str:
        """What it writes, in one sentence."""

    @property
    def of(self) -> str:
        """``OF_RUN`` or ``OF_LETTER``. One of letters that says ``for_notices = False`` writes for no safety notice."""

    @property
    def personal(self) -> bool:
        """Whether it can do nothing without names and addresses; if not, it is also written without them."""

    def write(self, run: RunView, folder: Path, settings: Mapping[str, str]) -> Sequence[Path]:
        """Write into ``folder``, which is empty and its own, and return the files made, first the one to open.

        ``settings`` are what the user gave as --set name=value. An output of letters makes one file for each of
        ``run.letters()``, in their order. Raise :class:`AftersunError` for what the user can mend.
        """

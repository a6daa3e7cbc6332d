"""One stored run, read only: everything that is printed or written about it comes through here."""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import asdict
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from aftersun.delivered.report import as_table, delivered_by_retrofit
from aftersun.documents.anonymiser import Anonymiser
from aftersun.documents.prices import price_of
from aftersun.inventory.log import call_log
from aftersun.inventory.places import heights_at, towns_among
from aftersun.inventory.runs.bulk_reading import RunTables
from aftersun.inventory.runs.stored_runs import stored_run
from aftersun.inventory.store import read
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.model.change import Note, severity_order
from aftersun.model.codes import CallKind, ContactRule, NotCalled
from aftersun.model.errors import AftersunError
from aftersun.model.figures import ENGLISH
from aftersun.model.letter import Letter
from aftersun.model.output import Letterhead, Price, SafetyNotes
from aftersun.money.company import Company
from aftersun.money.letterhead import letterhead_of
from aftersun.money.measures import even_saving
from aftersun.scoring.calls.contact_rules import contact_rule, without_forbidden
from aftersun.wording import call_text, not_called_text, replaced_text, say, standstill_text, value_of

if TYPE_CHECKING:
    from aftersun.model import output

PER_CALL = 3  # questions to ask on one call
LEAST_KWH = 0.5  # a year; losses below it are not shown
_HAZARD = ("site_id", "customer_id", "position", "kind", "urgency", "found_on")
CONTACT_COLUMNS = ("customer_id", "name", "street", "town", "phone", "email")


def calls_of_all_runs(inventory: Inventory) -> pd.DataFrame:
    """Return the table ``call`` of all runs of an open inventory, with contact rules as they are today."""
    found = inventory.connection.execute("SELECT run_id FROM run ORDER BY run_id").fetchall()
    calls = [RunView(inventory, run_id).table("call").assign(run_id=run_id) for (run_id,) in found]
    return pd.concat([pd.DataFrame(columns=list(RUN_TABLES["call"].columns)), *calls], ignore_index=True)


class RunView:
    """A stored run of an open inventory, the newest unless another is named.

    Parameters
    ----------
    run_id
        Number of the run; None = the newest.
    personal
        False: names and addresses are left out, the numbers of sites, customers, arrays and tariffs are pseudonyms
        that are the same in every export of this inventory, places are rough, and what people wrote freely is left
        out. ``letters`` may not be given then.
    letters
        What :meth:`letters` returns.
    letterhead
        How the company writes; None = as the run stored it, without pictures and in English.

    Raises
    ------
    AftersunError
        If nothing has been ranked yet, or there is no such run.
    """

    def __init__(
        self,
        inventory: Inventory,
        run_id: str | None = None,
        *,
        personal: bool = True,
        letters: Sequence[Letter] = (),
        letterhead: Letterhead | None = None,
    ) -> None:
        run = stored_run(inventory, run_id)
        if run is None and run_id is not None:
            raise AftersunError("There is no such run in the inventory.", "The table 'run' lists those stored.")
        if run is None:
            raise AftersunError("Nothing has been ranked yet.", "Run 'aftersun rank' first.")
        if letters and not personal:
            raise ValueError("letters hold names; a view without them has none")
        self.inventory = inventory
        self.run = run
        self.run_id = run.run_id
        self.as_of = run.as_of
        self.made_at = run.finished_at
        self._tables = RunTables(inventory, run.run_id)
        self._anonymiser = None if personal else Anonymiser(inventory)
        self._letters = tuple(letters)
        self._letterhead = letterhead

    def renewed(self) -> RunView:
        """Return a view of the same run with all else as it stands now; what the run stored is not read again."""
        head = self._letterhead
        view = RunView(self.inventory, self.run_id, personal=self.personal, letters=self._letters, letterhead=head)
        view._tables = self._tables
        return view

    @property
    def made_from(self) -> Mapping[str, Any]:
        """What it was made from and with: program_version, plugin_versions, input_hashes, seed, sites, failures.

        Without names the reasons of failures are left out: they are what a plugin says.
        """
        named = ("plugin", "during", "reason") if self.personal else ("plugin", "during")
        failures = [{name: failure[name] for name in named if name in failure} for failure in self.run.failures]
        kept = ("program_version", "plugin_versions", "input_hashes", "seed", "sites")
        return {**{name: getattr(self.run, name) for name in kept}, "failures": failures}

    @property
    def company(self) -> Mapping[str, Any]:
        """The company file as the run used it."""
        company: Mapping[str, Any] = self.run.settings["company"]
        return company

    @property
    def currency(self) -> str:
        """The currency of all amounts."""
        return str(self.company["company"]["currency"])

    @property
    def letterhead(self) -> Letterhead:
        """How the company writes."""
        if self._letterhead is None:
            self._letterhead = letterhead_of(self.used_company())
        return self._letterhead

    @property
    def personal(self) -> bool:
        """Whether names and addresses may be read; without, ``contacts`` is empty and site numbers are pseudonyms."""
        return self._anonymiser is None

    def used_company(self) -> Company:
        """Return the company file as the run used it, with its defaults."""
        return Company.model_validate_json(json.dumps(self.company))

    def letters(self) -> Sequence[Letter]:
        """Return the letters to write; empty for an output of a whole run."""
        return self._letters

    def table(self, name: str, site_id: str | None = None) -> pd.DataFrame:
        """Return the rows of a result table, of the whole run or of one site; ``call`` as the rules are today."""
        if site_id is None:
            return self._shown(self._call.copy() if name == "call" else self._tables.whole(name))
        if self._anonymiser is not None:
            site_id = self._anonymiser.original(site_id, self._sites["site_id"])
        if name == "call":
            return self._shown(self._call[self._call["site_id"] == site_id].reset_index(drop=True))
        return self._shown(self._tables.of_site(name, site_id))

    def table_of_sites(self, name: str, site_ids: Sequence[str]) -> pd.DataFrame:
        """Return the rows of these sites as the run stored them, by one query; for a few sites of many."""
        if self._anonymiser is not None:
            site_ids = [self._anonymiser.original(site, self._sites["site_id"]) for site in site_ids]
        return self._shown(self._tables.of_sites(name, site_ids))

    def sites(self) -> pd.DataFrame:
        """Return the technical facts of all sites as the inventory has them now, columns of the dictionary."""
        return self._shown(self._sites.copy(deep=False))

    def arrays(self, site_id: str | None = None) -> pd.DataFrame:
        """Return all arrays, or those of a site, as the inventory has them now."""
        arrays = self._shown(self._arrays.copy(deep=False))
        return arrays if site_id is None else arrays[arrays["site_id"] == site_id].reset_index(drop=True)

    def places(self) -> pd.DataFrame:
        """Return the larger towns among the sites, for a map: name, latitude, longitude, people."""
        sites = self.sites()
        return towns_among(sites["latitude"].to_numpy(dtype=float), sites["longitude"].to_numpy(dtype=float))

    def contacts(self) -> pd.DataFrame:
        """Return customer_id, name, street, town, phone and email of those on the call list or in a letter alone."""
        if not self.personal:
            return pd.DataFrame(columns=list(CONTACT_COLUMNS), dtype="string")
        wanted = set(self.calls()["customer_id"].dropna())
        if self._letters:
            sites = self._sites
            named = {letter.site_id for letter in self._letters}
            wanted |= set(sites.loc[sites["site_id"].isin(named), "customer_id"].dropna())
        return read.contacts(self.inventory, sorted(wanted))[list(CONTACT_COLUMNS)]

    def replaced_by_company(self) -> list[str]:
        """Return a sentence for each value assumed of every system, or chance of a fact, that the company replaced."""
        sentences = []
        for section in ("system", "facts"):
            for name, given in self.company[section].items():
                why, what = replaced_text(given["who"], given["why"]), name.replace("_", " ")
                sentences.append(say(f"replaced.{section}", why=why, name=what, value=given["value"]))
        return sentences

    def titles(self) -> dict[str, str]:
        """Return the title of each retrofit by id."""
        table = self.table("run_retrofit")
        return dict(zip(table["retrofit"], table["title"], strict=True))

    def retrofits_named(self, names: Sequence[str] | None) -> list[str]:
        """Return the ids of the run's retrofits that are meant by ids or titles.

        Raises
        ------
        AftersunError
            If the run has no such retrofit.
        """
        titles = self.titles()
        ids = {title.casefold(): retrofit for retrofit, title in titles.items()} | {name: name for name in titles}
        if missing := [name for name in names or () if name.casefold() not in ids]:
            raise AftersunError(f"The run has no retrofit '{missing[0]}'.", f"It has {', '.join(sorted(titles))}.")
        return [ids[name.casefold()] for name in names or ()]

    def calls(self) -> pd.DataFrame:
        """Return the sites to call, first one first."""
        table = self.table("call")
        return table[table["position"].notna()].sort_values("position", ignore_index=True)

    def calls_to_write(self) -> pd.DataFrame:
        """Return the calls at whose sites something can be offered in a letter, nothing having to be asked first."""
        calls, offers = self.calls(), self.table("offer")
        sold = offers.loc[~_asked_first(offers), "site_id"]
        return calls[calls["retrofit"].notna() & calls["site_id"].isin(sold)]

    def worth_it(self) -> tuple[int, int]:
        """Return at how many sites something is worth it as it is, and at how many more if the answers allow it."""
        gains = self.table("offer").query("npv > 0")
        as_it_is = gains.loc[~_asked_first(gains), "site_id"].nunique()
        return as_it_is, gains["site_id"].nunique() - as_it_is

    def delivered(self) -> pd.DataFrame:
        """Return what done work delivered against its promises, a row a retrofit that has any measured."""
        return as_table(delivered_by_retrofit(self.inventory))

    def in_passing(self) -> pd.DataFrame:
        """Return of table call what is good for owners and too small for the company to call about, best first."""
        table = self.table("call")
        return table[table["kind"] == CallKind.IN_PASSING].sort_values(["npv", "site_id"], ascending=[False, True])

    def questions(self, site_id: str | None = None) -> pd.DataFrame:
        """Return what could be asked of all sites or of one, the most valuable first.

        Raises
        ------
        AftersunError
            If there is no such site.
        """
        if site_id is not None:
            self.facts(site_id)
        table = self.table("question", site_id)
        return table.sort_values(["value_of_phone", "site_id"], ascending=[False, True], ignore_index=True)

    def to_ask(self, site_id: str) -> list[str]:
        """Return the questions to ask on a call at this site, the most valuable first."""
        table = self.questions(site_id)
        return [str(question) for question in table.loc[table["value_of_phone"] > 0, "question"].head(PER_CALL)]

    def losses(self, site_id: str) -> pd.DataFrame:
        """Return the steps from light to generation at a site, those worth showing: step, kwh."""
        table = self.table("site_loss", site_id)
        ends = table["step"].isin(["in_plane_kwh", "generated_kwh"])
        return table.loc[(table["kwh"].abs() >= LEAST_KWH) | ends, ["step", "kwh"]]

    def call_texts(self) -> dict[str, str]:
        """Return what to say on each call, as it is spoken, by site_id."""
        calls, known = self.calls(), self.to_tell()
        called = calls[["site_id", "retrofit"]].rename(columns={"retrofit": "offer"})
        offers = self.table("offer").merge(called, on=["site_id", "offer"])
        ranking = self.table_of_sites("ranking", list(calls["site_id"]))
        ranking = ranking.merge(self.table("run_retrofit")[["retrofit", "title", "summary"]], on="retrofit", how="left")
        ranked = {(row["site_id"], row["retrofit"]): row for row in ranking.to_dict("records")}
        hazards = known.groupby("site_id", sort=False)["text"].agg(list)
        texts = dict(zip(calls["site_id"], calls["sentence"].fillna(""), strict=True))  # of older runs as stored
        rate, prices = self.used_company().money.real_discount_rate, self.prices(list(calls["site_id"]))
        for offer in offers.to_dict("records"):
            site = offer["site_id"]
            if texts[site]:
                continue
            members = [ranked[site, name] for name in self.members(offer["offer"])]
            allowed = value_of(offer, "chance_allowed") or 1.0
            yearly = even_saving(offer["npv"] / allowed + offer["upfront"], rate, int(offer["years"]))
            told, asked = hazards.get(site, ()), self.to_ask(site) if allowed < 1 else ()
            about: dict[Any, Any] = {**offer, "yearly_saving": yearly, **asdict(prices[site, offer["offer"]])}
            texts[site] = call_text(about, members, self.currency, ENGLISH, told, asked)
        for evidence in self.table_of_sites("site_evidence", list(calls["site_id"])).to_dict("records"):
            said = texts[evidence["site_id"]], standstill_text(evidence, self.currency, spoken=True)
            texts[evidence["site_id"]] = " ".join(filter(None, said))
        return texts

    def prices(self, site_ids: Sequence[str]) -> dict[tuple[str, str], Price]:
        """Return what each offer and valued retrofit costs for certain and if more is needed, by site and its id."""
        items = self.table_of_sites("cost_item", site_ids)
        items = items[items["quantity"] != items["quantity"].round()]  # only such may be needed or not
        rows: dict[tuple[str, str], list[dict[Hashable, Any]]] = {}
        for row in items.to_dict("records"):
            rows.setdefault((row["site_id"], row["retrofit"]), []).append(row)
        found: dict[tuple[str, str], Price] = {}
        for table, name in (("ranking", "retrofit"), ("offer", "offer")):
            priced = self.table_of_sites(table, site_ids)[["site_id", name, "upfront"]].dropna()
            for site, offer, upfront in priced.itertuples(index=False, name=None):
                found[str(site), str(offer)] = price_of(upfront, rows.get((str(site), str(offer)), ()))
        return found

    def members(self, offer: str) -> tuple[str, ...]:
        """Return the retrofits that an offer consists of, in the order of their ids."""
        return self._members.get(offer, (offer,))

    @cached_property
    def _members(self) -> dict[str, tuple[str, ...]]:
        pairs = self._tables.whole("offer_member")[["offer", "retrofit"]].drop_duplicates().sort_values("retrofit")
        return {str(name): tuple(retrofits) for name, retrofits in pairs.groupby("offer")["retrofit"]}

    def excluded(self) -> pd.Series:
        """Return how many sites are not called, by the reason in words."""
        left = self.table("call")
        left = left[left["position"].isna()]
        reasons = map(not_called_text, left["excluded_reason"].fillna(""), left["excluded_detail"].fillna(""))
        return pd.Series(list(reasons), dtype="object").value_counts()

    def to_tell(self) -> pd.DataFrame:
        """Return the dangers known to stand on sites now, one row a site and note: site_id, note_id, text, who.

        Their owners are told whether or not they may be called about offers, and without any sales text: the most
        urgent first, of equal ones what was found first.
        """
        known = self._tables.once("safety_note", where="tell_owner")
        known = known[["site_id", "note_id", "severity", "text", "who"]].drop_duplicates(ignore_index=True)
        order = known[["site_id"]].merge(self._call[["site_id", "urgency", "found_on"]], on="site_id", how="left")
        order["found_on"] = order["found_on"].fillna(pd.Timestamp(0))  # known from the beginning
        order = order.sort_values(["urgency", "found_on"], kind="stable")
        return self._shown(known.take(order.index.to_numpy()).reset_index(drop=True))

    def hazards(self) -> pd.DataFrame:
        """Return whom to notify of hazards known to stand, one row a site, the most urgent first.

        Columns: site_id, customer_id, position, kind, urgency, found_on, note_ids (a tuple, the most urgent first), and
        name, street, town, phone, email. Who may not be called has neither phone nor e-mail address here: the notice
        goes by letter, or is given in person. Without names all five are empty.
        """
        known, by_site = self.to_tell(), dict[str, tuple[str, ...]]()
        for site, note in zip(known["site_id"], known["note_id"], strict=True):
            by_site[site] = (*by_site.get(site, ()), note)
        told = pd.DataFrame({"site_id": pd.Series(list(by_site), dtype="string"), "note_ids": list(by_site.values())})
        known = told.merge(self.table("call")[list(_HAZARD)], on="site_id", how="left")
        if self.personal:
            people = read.contacts(self.inventory, sorted(set(known["customer_id"].dropna())))[list(CONTACT_COLUMNS)]
        else:
            people = self.contacts()
        known = known.merge(people, on="customer_id", how="left")
        known.loc[known["kind"] == CallKind.NOTICE, ["phone", "email"]] = pd.NA
        return known

    def safety_notes(self) -> SafetyNotes:
        """Return which safety notes stand where."""
        texts, where = self._tables.note_sets()
        texts = texts.sort_values("severity", key=lambda column: column.map(severity_order), kind="stable")
        notes = tuple(
            Note(str(row["note_id"]), str(row["severity"]), str(row["text"]), str(row["who"]), "", False)
            for row in texts.to_dict("records")
        )
        number, different = pd.factorize(where["notes"], sort=True)  # an order that tells no site
        digits = texts.index.to_list()  # which digit of the texts of 0 and 1 each note has
        sets = tuple(tuple(note for note, digit in enumerate(digits) if bits[digit] == "1") for bits in different)
        shown = self._shown(where.drop(columns="notes").assign(set=number))
        return SafetyNotes(notes, sets, shown)

    def far_from_weather(self) -> int:
        """Return how many sites have a weather station too far away, or too high or low."""
        energy = self.table("site_energy")
        return int((energy["station_far"] | energy["station_steep"]).sum())

    def facts(self, site_id: str) -> Mapping[str, Any]:
        """Return the known technical facts of a site as they stand in the inventory now.

        Raises
        ------
        AftersunError
            If there is no such site.
        """
        sites = self.sites()
        rows = sites[sites["site_id"] == site_id]
        if rows.empty:
            raise AftersunError(
                "There is no such site in the inventory.", "Check the site's number; it is the column site_id."
            )
        return {str(name): value for name, value in rows.iloc[0].items() if not pd.isna(value)}

    def height_of_place(self, site_id: str) -> float | None:
        """Return the height in m that stands in for that of a site, NaN if none does; None where its own is known."""
        facts = self.facts(site_id)
        if "elevation_m" in facts:
            return None
        return float(heights_at(np.array([facts["latitude"]]), np.array([facts["longitude"]]))[0])

    def may_not_be_called(self) -> list[str]:
        """Return the sites of the run whose owners may not be called about offers, by number."""
        table = self.table("call")
        return sorted(table.loc[table["excluded_reason"].isin(list(ContactRule)), "site_id"])

    def call_of(self, site_id: str) -> Mapping[str, Any]:
        """Return the call-list row of a site; a site loaded after the run has none and gets that as its reason."""
        table = self.table("call", site_id)
        if table.empty:
            return {"position": None, "excluded_reason": NotCalled.NOT_IN_RUN, "excluded_detail": None}
        return {str(name): value for name, value in table.iloc[0].items()}

    def contact_rules(self) -> pd.Series:
        """Return per customer_id what forbids to call as of today, "" where nothing does, whatever the run knew."""
        return self._rules

    @cached_property
    def _rules(self) -> pd.Series:
        inventory, quiet_days = self.inventory, self._quiet_days
        today = max(date.today(), self.as_of)
        return contact_rule(call_log.customers(inventory), call_log.entries(inventory), today, quiet_days)

    @cached_property
    def _quiet_days(self) -> int:
        return int(self.used_company().calls.quiet_days)

    @cached_property
    def _call(self) -> pd.DataFrame:
        """The table ``call``, with contact rules asked again: who objected since the run is not called."""
        return without_forbidden(self._tables.once("call"), self.contact_rules(), self._quiet_days)

    @cached_property
    def _sites(self) -> pd.DataFrame:
        return read.sites(self.inventory)

    @cached_property
    def _arrays(self) -> pd.DataFrame:
        return read.arrays(self.inventory)

    def _shown(self, frame: pd.DataFrame) -> pd.DataFrame:
        return frame if self._anonymiser is None else self._anonymiser.without_names(frame)


if TYPE_CHECKING:

    def _is_a_view(view: RunView) -> output.RunView:
        """Hold the class to the contract of outputs; seen by the type checker alone."""
        return view


def _asked_first(offers: pd.DataFrame) -> pd.Series:
    """Tell which offers are done only if the customer's answers allow it; older runs have none."""
    return (offers["chance_allowed"].astype("Float64") < 1).fillna(False)

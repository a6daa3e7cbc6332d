"""Composes letters from a stored run, the inventory's facts and what the account manager chose. Nothing is simulated.

All letters of a batch come from one reading of each table.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import Any

from aftersun.documents.letters.facts import (
    Row,
    findings_of,
    losses_of,
    questions_of,
    system_facts,
    value_of,
    weather_of,
)
from aftersun.documents.letters.options import Records, below_cost, months_of, option_of
from aftersun.documents.letters.source import Source
from aftersun.documents.run_view import RunView
from aftersun.inventory.log import call_log
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import ContactRule, Status
from aftersun.model.errors import AftersunError
from aftersun.model.figures import ENGLISH
from aftersun.model.letter import Letter, LetterOption
from aftersun.scoring.calls import contact_rules
from aftersun.wording import not_called_text, status_text

# Whatever the run knew: these hold from the day that they are recorded.
_AT_ONCE = (ContactRule.OBJECTED, ContactRule.ON_REGISTER, ContactRule.NOT_ALLOWED)


@dataclass(frozen=True)
class Choices:
    """What the account manager chose.

    ``options`` are offers of the run, in the order of the letter; none = the best ``most_options`` of the site.
    ``prices`` are fixed ones by offer, tax included. ``discount`` is a share, 0..1, taken off every other price.
    ``valid_until`` None = ``valid_days`` from the day it is made. ``asked_for``: the customer asked for the letter.
    """

    options: tuple[str, ...] = ()
    prices: Mapping[str, float] = field(default_factory=dict)
    discount: float = 0.0
    remark: str = ""
    valid_until: date | None = None
    asked_for: bool = False
    most_options: int = 2
    valid_days: int = 30

    def as_json(self) -> dict[str, Any]:
        """Return what is kept of them with a letter, for the next one that is made of many."""
        return {"options": self.options, "prices": self.prices, "discount": self.discount, "remark": self.remark}

    def or_earlier(self, kept: Mapping[str, Any]) -> Choices:
        """Return these or, if nothing was chosen, with those that were kept with an earlier letter."""
        if any(self.as_json().values()):
            return self
        chosen = {name: kept[name] for name in self.as_json()}
        return replace(self, **chosen | {"options": tuple(kept["options"])})


_NONE: Mapping[str, Choices] = {}


@dataclass(frozen=True)
class Composed:
    """Letters in the order of the sites, without number and version yet.

    With them come the choices that hold for each site, and what the company should know.
    """

    letters: tuple[Letter, ...]
    choices: Mapping[str, Choices]
    remarks: tuple[str, ...]


def compose(
    inventory: Inventory,
    view: RunView,
    site_ids: Sequence[str],
    choices: Choices,
    made_on: date,
    earlier: Mapping[str, Choices] = _NONE,
    batch: bool = False,
) -> Composed:
    """Return one letter a site.

    Parameters
    ----------
    view
        A view with names.
    earlier
        Choices that hold for some sites in place of ``choices``; of them, what a site no longer has is let go.
    batch
        Leave out a site that cannot be written to, with a remark, where otherwise that would be an error.

    Raises
    ------
    AftersunError
        If a site is unknown, may not be written to, or lacks an offer that was chosen; if a price or discount cannot
        be; if the run was stored by a program that kept less than a letter needs. No sentence holds a customer's data.
    """
    _check(choices, made_on)
    wanted = list(dict.fromkeys(site_ids))
    source = Source(inventory, view, wanted)
    if not wanted:
        raise AftersunError("There is no site to write to.", "Name sites, or rank again if nobody is on the call list.")
    if any(value_of(row, "years") is None for site_id in wanted for row in source.rows("offer", site_id)):
        raise AftersunError(
            "The newest run was stored by an older program, which kept less than a letter needs.", "Rank again."
        )
    closed = _closed_since(inventory, view, made_on)

    def write(site_id: str) -> tuple[Letter, list[str]]:
        _check_site(source, site_id, choices, closed)
        of_site = _still_there(earlier[site_id], source.offers(site_id)) if site_id in earlier else choices
        records = [source.records(site_id, offer) for offer in _chosen(source, site_id, of_site)]
        return _letter(source, site_id, records, of_site, made_on), _below_cost(source, site_id, records, of_site)

    letters, remarks = _each(source, wanted, write, "No letter" if batch else "")
    strange = set(choices.prices) - {option.offer for letter in letters for option in letter.options}
    if strange:
        raise AftersunError(
            f"A price is set for {', '.join(sorted(strange))}, which is in none of the letters.",
            "Choose that offer with --option, or leave its price out; nothing was written.",
        )
    held = {letter.site_id: earlier.get(letter.site_id, choices) for letter in letters}
    return Composed(letters, held, remarks)


def compose_notices(
    inventory: Inventory, view: RunView, site_ids: Sequence[str], made_on: date, batch: bool = False
) -> Composed:
    """Return a safety notice for each site: the dangers known to stand there and nothing else.

    No contact rule is asked: to be told of a danger is no advertising. ``batch`` leaves out, with a remark, a site that
    cannot be written to.

    Raises
    ------
    AftersunError
        If a site is unknown or no danger is known to stand there. No sentence holds a customer's data.
    """
    wanted = list(dict.fromkeys(site_ids))
    if not wanted:
        raise AftersunError("There is no known danger at any site of the run.", "There is nobody to be told.")
    source = Source(inventory, view, wanted)

    def write(site_id: str) -> tuple[Letter, list[str]]:
        if not source.dangers(site_id):
            raise AftersunError(
                f"Site {site_id}: the run knows of no danger there, so there is no safety notice to write.",
                "If one was found since, record the fact and rank again; nothing was written.",
            )
        return _dangers_alone(source, site_id, made_on), []

    letters, remarks = _each(source, wanted, write, "No notice" if batch else "")
    return Composed(letters, {letter.site_id: Choices() for letter in letters}, remarks)


def _each(
    source: Source, site_ids: Sequence[str], write: Callable[[str], tuple[Letter, list[str]]], left_out: str
) -> tuple[tuple[Letter, ...], tuple[str, ...]]:
    """Return a letter for each site, and remarks; one that cannot be written is ``left_out``, "" = an error."""
    letters: list[Letter] = []
    remarks: list[str] = []
    for site_id in site_ids:
        try:
            if site_id not in source.sites:
                raise AftersunError(
                    "There is no such site in the inventory.", "Check the sites' numbers; they are the column site_id."
                )
            letter, of_letter = write(site_id)
        except AftersunError as error:
            if not left_out:
                raise
            remarks.append(f"{left_out}: {error}")
            continue
        letters.append(letter)
        if site_id in source.learnt_since:
            remarks.append(f"Site {site_id}: facts were learnt after the run, which does not know them; rank again.")
        remarks += of_letter
    return tuple(letters), tuple(remarks)


def _dangers_alone(source: Source, site_id: str, made_on: date) -> Letter:
    """Return a letter that offers nothing: to whom, when, by which run, and the dangers."""
    view = source.view
    return Letter(
        made_on=made_on,
        valid_until=made_on,  # it offers nothing that could run out
        run_id=view.run_id,
        as_of=view.as_of,
        program_version=f"aftersun {view.run.program_version}",
        price_date=view.as_of,  # it holds no price
        currency=view.currency,
        customer=source.customer(site_id),
        site_id=site_id,
        dangers=source.dangers(site_id),
    )


def _below_cost(source: Source, site_id: str, records: Sequence[Records], choices: Choices) -> list[str]:
    """Return a remark for each price that the company would lose money at."""
    remarks = []
    for each in records:
        price = _price(each, choices)
        if price is not None and below_cost(each, price, source.company):
            amount = ENGLISH.amount(price, source.view.currency, 2)
            remarks.append(f"Site {site_id}: {amount} for {each.name} is less than the work costs the company.")
    return remarks


def _still_there(choices: Choices, offers: Mapping[str, Row]) -> Choices:
    return replace(
        choices,
        options=tuple(name for name in choices.options if name in offers),
        prices={name: price for name, price in choices.prices.items() if name in offers},
    )


def _check(choices: Choices, made_on: date) -> None:
    for offer, price in choices.prices.items():
        if not (math.isfinite(price) and price >= 0):
            raise AftersunError(f"The price of {offer} is not a number of at least 0.", "Correct the price.")
    if not 0 <= choices.discount <= 1:  # NaN fails, too
        raise AftersunError("The discount is not a share between 0 and 1.", "10 % is 0.1.")
    if choices.valid_until is not None and choices.valid_until < made_on:
        raise AftersunError("The letter would end before it is made.", "Give a later day with --valid-until.")


def _closed_since(inventory: Inventory, view: RunView, today: date) -> dict[str, str]:
    """Return by customer what forbids contact as of now; an objection counts at once, whatever the run knew."""
    quiet = int(view.used_company().calls.quiet_days)
    rules = contact_rules.contact_rule(call_log.customers(inventory), call_log.entries(inventory), today, quiet)
    return {str(customer): str(why) for customer, why in rules.items() if why in _AT_ONCE}


def _check_site(source: Source, site_id: str, choices: Choices, closed: Mapping[str, str]) -> None:
    call = source.row("call", site_id)
    if call is None or source.row("site_energy", site_id) is None:
        why = "is newer than the run"
        if call is not None:
            reason = str(value_of(call, "excluded_reason") or "")
            why = f"could not be valued ({not_called_text(reason, value_of(call, 'excluded_detail'))})"
        raise AftersunError(f"Site {site_id} {why}.", "Complete its facts and rank again; nothing was written.")
    reason = closed.get(str(source.sites[site_id]["customer_id"])) or str(value_of(call, "excluded_reason") or "")
    if reason in set(ContactRule) and not choices.asked_for:  # other reasons of the call list forbid no letter
        raise AftersunError(
            f"Site {site_id}: {not_called_text(reason, value_of(call, 'excluded_detail'))}.",
            "If the customer asked for the letter, say so with --to-existing-enquiry; nothing was written.",
        )


def _chosen(source: Source, site_id: str, choices: Choices) -> list[str]:
    """Return the offers of the letter: those named, or safety matters and then the best by the owner's worth."""
    offers = source.offers(site_id)
    for name in choices.options:
        if name not in offers:
            raise _not_on_offer(source, site_id, name)
    if choices.options:
        return list(dict.fromkeys(choices.options))
    if not offers:
        raise AftersunError(
            f"Site {site_id} has no offer: nothing is worth it there.",
            "'aftersun explain' says why; nothing was written.",
        )
    best = sorted(
        offers.values(), key=lambda row: (not bool(value_of(row, "must_call")), -float(row["npv"]), row["offer"])
    )
    return [str(row["offer"]) for row in best[: choices.most_options]]


def _not_on_offer(source: Source, site_id: str, name: str) -> AftersunError:
    ranked = {str(row["retrofit"]): row for row in source.rows("ranking", site_id)}
    there = ", ".join(sorted(source.offers(site_id))) or "none"
    if name in ranked:
        status = ranked[name]["status"]
        never = " and never for sale" if status in (Status.TOO_UNCERTAIN, Status.NOT_COST_EFFECTIVE) else ""
        return AftersunError(f"{name} is '{status_text(status)}' at site {site_id}{never}.", f"Its offers: {there}.")
    return AftersunError(f"Site {site_id} has no offer '{name}'.", f"Its offers: {there}; nothing was written.")


def _price(records: Records, choices: Choices) -> float | None:
    """Return the price that was set, None = as computed."""
    if records.name in choices.prices:
        return choices.prices[records.name]
    return float(records.offer["upfront"]) * (1.0 - choices.discount) if choices.discount else None


def _letter(source: Source, site_id: str, records: Sequence[Records], choices: Choices, made_on: date) -> Letter:
    company, system = source.company, source.system(site_id)
    options = [option_of(each, _price(each, choices), source.catalogue, company) for each in records]
    nothing_now = LetterOption(offer="", years=max(option.years for option in options))
    members = [name for each in records for name in each.names]
    return replace(
        _dangers_alone(source, site_id, made_on),
        valid_until=choices.valid_until or made_on + timedelta(days=choices.valid_days),
        price_date=company.identity.price_date,
        sales_tax_rate=company.money.sales_tax_rate,
        weather=weather_of(system.energy),
        system=system_facts(system, source.unknown_demand_kwh, made_on),
        findings=findings_of(system, made_on),
        today=months_of([row for row in source.rows("offer_month", site_id) if row["offer"] == ""]),
        losses=losses_of(system.site, system.losses),
        options=(*options, nothing_now),
        questions=questions_of(source.rows("question", site_id), members, source.catalogue.title),
        remark=choices.remark.strip(),
        from_meters=system.evidence is not None,
    )

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
    Stored,
    findings_of,
    losses_of,
    questions_of,
    system_facts,
    tax_reclaimed,
    weather_of,
)
from aftersun.documents.letters.options import Records, below_cost, months_of, option_of
from aftersun.documents.letters.source import Source
from aftersun.documents.run_view import RunView
from aftersun.inventory.store.file import Inventory
from aftersun.model.codes import ContactRule, Status
from aftersun.model.errors import AftersunError
from aftersun.model.figures import ENGLISH
from aftersun.model.letter import Letter, LetterOption
from aftersun.wording import Row, not_called_text, say, status_text, value_of

# Whatever the run knew: these hold from the day that they are recorded.
_AT_ONCE = (ContactRule.OBJECTED, ContactRule.ON_REGISTER, ContactRule.NOT_ALLOWED, ContactRule.REFUSED)


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


def closed_to_offers(view: RunView) -> dict[str, str]:
    """Return by customer what forbids offers from the day that it is recorded, whatever the run knew."""
    return {str(customer): str(why) for customer, why in view.contact_rules().items() if why in _AT_ONCE}


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
        raise _refused("nobody")
    if source.kept_too_little:
        raise _refused("older_run")
    closed = closed_to_offers(view)

    def write(stored: Stored) -> tuple[Letter, list[str]]:
        _check_site(stored, choices, closed)
        of_site = _still_there(earlier[stored.site_id], stored.offers) if stored.site_id in earlier else choices
        records = [Records(stored, offer) for offer in _chosen(stored, of_site)]
        return _letter(source, stored, records, of_site, made_on), _below_cost(source, records, of_site)

    letters, remarks = _each(source, wanted, write, "No letter" if batch else "")
    strange = set(choices.prices) - {option.offer for letter in letters for option in letter.options}
    if strange:
        raise _refused("price_of_no_option", offers=", ".join(sorted(strange)))
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
        raise _refused("no_danger_anywhere")
    source = Source(inventory, view, wanted)

    def write(stored: Stored) -> tuple[Letter, list[str]]:
        if not stored.dangers:
            raise _refused("no_danger", site=stored.site_id)
        return _dangers_alone(source, stored, made_on), []

    letters, remarks = _each(source, wanted, write, "No notice" if batch else "")
    return Composed(letters, {letter.site_id: Choices() for letter in letters}, remarks)


def _each(
    source: Source, site_ids: Sequence[str], write: Callable[[Stored], tuple[Letter, list[str]]], left_out: str
) -> tuple[tuple[Letter, ...], tuple[str, ...]]:
    """Return a letter for each site, and remarks; one that cannot be written is ``left_out``, "" = an error."""
    letters: list[Letter] = []
    remarks: list[str] = []
    for site_id in site_ids:
        try:
            if site_id not in source.sites:
                raise _refused("no_site")
            letter, of_letter = write(source.of(site_id))
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


def _dangers_alone(source: Source, stored: Stored, made_on: date) -> Letter:
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
        customer=source.customer(stored.site),
        site_id=stored.site_id,
        language=source.language(stored.site),
        dangers=stored.dangers,
    )


def _below_cost(source: Source, records: Sequence[Records], choices: Choices) -> list[str]:
    """Return a remark for each price that the company would lose money at."""
    remarks = []
    for each in records:
        price = _price(each, choices)
        if price is not None and below_cost(each, price, source.company):
            amount = ENGLISH.amount(price, source.view.currency, 2)
            remarks.append(
                f"Site {each.stored.site_id}: {amount} for {each.name} is less than the work costs the company."
            )
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
            raise _refused("price_below_0", offer=offer)
    if not 0 <= choices.discount <= 1:  # NaN fails, too
        raise _refused("no_discount")
    if choices.valid_until is not None and choices.valid_until < made_on:
        raise _refused("ends_too_early")


def _check_site(stored: Stored, choices: Choices, closed: Mapping[str, str]) -> None:
    call = stored.only("call")
    if call is None:
        raise _refused("newer_than_run", site=stored.site_id)
    excluded, detail = str(value_of(call, "excluded_reason") or ""), value_of(call, "excluded_detail")
    if not stored.tables["site_energy"]:
        raise _refused("not_valued", site=stored.site_id, why=not_called_text(excluded, detail))
    reason = closed.get(str(stored.site["customer_id"])) or excluded
    if reason in set(ContactRule) and not choices.asked_for:  # other reasons of the call list forbid no letter
        raise _refused("no_contact", site=stored.site_id, why=not_called_text(reason, detail))


def _chosen(stored: Stored, choices: Choices) -> list[str]:
    """Return the offers of the letter: those named, or safety matters and then the best by the owner's worth."""
    offers = stored.offers
    for name in choices.options:
        if name not in offers:
            raise _not_on_offer(stored, name)
    if choices.options:
        return list(dict.fromkeys(choices.options))
    if not offers:
        raise _refused("ask_first" if stored.tables["offer"] else "no_offer", site=stored.site_id)
    best = sorted(
        offers.values(), key=lambda row: (not bool(value_of(row, "must_call")), -float(row["npv"]), row["offer"])
    )
    return [str(row["offer"]) for row in best[: choices.most_options]]


def _not_on_offer(stored: Stored, name: str) -> AftersunError:
    ranked = {str(row["retrofit"]): str(row["status"]) for row in stored.tables["ranking"]}
    figures = {"site": stored.site_id, "offer": name, "offers": ", ".join(sorted(stored.offers)) or "none"}
    if name not in ranked:
        return _refused("not_that_offer", **figures)
    never = ranked[name] in (Status.TOO_UNCERTAIN, Status.NOT_COST_EFFECTIVE, Status.CLAIM_ONLY)
    return _refused("never_for_sale" if never else "not_for_sale", status=status_text(ranked[name]), **figures)


def _refused(code: str, **figures: str) -> AftersunError:
    """Return why there is no letter, and what to do."""
    return AftersunError(say(f"no_letter.{code}", **figures), say(f"no_letter_hint.{code}", **figures))


def _price(records: Records, choices: Choices) -> float | None:
    """Return the price that was set, None = as computed."""
    if records.name in choices.prices:
        return choices.prices[records.name]
    return records.price.decided * (1.0 - choices.discount) if choices.discount else None


def _letter(source: Source, stored: Stored, records: Sequence[Records], choices: Choices, made_on: date) -> Letter:
    company = source.company
    options = [option_of(each, _price(each, choices), source.catalogue, company) for each in records]
    nothing_now = LetterOption(offer="", years=max(option.years for option in options))
    members = [name for each in records for name in each.names]
    return replace(
        _dangers_alone(source, stored, made_on),
        valid_until=choices.valid_until or made_on + timedelta(days=choices.valid_days),
        price_date=company.identity.price_date,
        discount_rate=company.money.real_discount_rate,
        sales_tax_rate=company.money.sales_tax_rate,
        tax_reclaimed=tax_reclaimed(stored),
        weather=weather_of(stored.energy),
        system=system_facts(stored, source.usual_demand_kwh(stored.site), made_on),
        findings=findings_of(stored, made_on),
        today=months_of(stored.of("offer_month", "offer", [""])),
        losses=losses_of(stored.site, stored.tables["site_loss"]),
        options=(*options, nothing_now),
        questions=questions_of(stored.tables["question"], members, source.catalogue.title),
        remark=choices.remark.strip(),
        from_meters=bool(stored.tables["site_evidence"]),
    )

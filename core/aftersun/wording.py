"""What is printed for the codes and figures of a run: the one place where its sentences are made.

Templates with figures by name stand in ``aftersun_datasets/wording``, one file for each language.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cache
from typing import Any

import pandas as pd
from babel.messages.pofile import read_po

import aftersun_datasets
from aftersun.model import tables
from aftersun.model.codes import NotCalled, Status, Untold
from aftersun.model.figures import ENGLISH, Figures, for_reading

Row = Mapping[Any, Any]  # of a table of the run, by column


def value_of(row: Row, name: str) -> Any:
    """Return a value of a row, None where there is none."""
    value = row.get(name)
    return None if value is None or pd.isna(value) else value


def say(key: str, language: str = ENGLISH.language, **figures: Any) -> str:
    """Return the text of a key such as ``status.recommended`` with its figures filled in, by name.

    Raises
    ------
    KeyError
        If the texts have no such key, or one names a figure that is not given.
    """
    section, _, name = key.partition(".")
    return _texts(language)[section][name].format_map(figures)


def translated(text: str, language: str) -> str | None:
    """Return what a text of the program's own data is in another language, None = it has not been translated.

    Texts are found by their English: one that was changed since counts as not translated until somebody has looked.
    """
    return _translations(language).get(text)


def status_text(code: str, language: str = ENGLISH.language) -> str:
    """Return a status in words."""
    return _known("status", code, language)


def hazard_text(note_id: str, language: str = ENGLISH.language) -> str:
    """Return the name of a known hazard by the id of its note; of a plugin's own note its words."""
    if note_id in _texts(language)["hazard"]:
        return say(f"hazard.{note_id}", language)
    return note_id.removeprefix("known_").replace("_", " ")


def loss_text(step: str, language: str = ENGLISH.language) -> str:
    """Return a step of the loss chain in words: column step of table site_loss; of a later program's step its name."""
    text = _known("loss", step.removesuffix("_kwh"), language)
    return text.replace("_", " ")


def not_called_text(code: str, detail: str | None = None, language: str = ENGLISH.language) -> str:
    """Return why a site is not called: columns excluded_reason and excluded_detail of table call."""
    if code == NotCalled.SHORT_OF_CAPACITY and detail is not None:
        detail = ", ".join(capacity_text(name, language) for name in detail.split(", "))
    return _known("not_called", code, language, detail=detail)


def capacity_text(name: str, language: str = ENGLISH.language) -> str:
    """Return the name of a capacity in words: column name of table run_capacity."""
    kind, _, item = name.partition("_")
    if kind in ("hours", "visits") and item:
        return say(f"capacity.{kind}", language, name=item.replace("_", " "))
    return _known("capacity", name, language)


def plan_text(status: str, language: str = ENGLISH.language) -> str:
    """Return how good the list of calls is: column status of table run_plan."""
    return _known("plan", status, language)


def shortage_text(capacities: Iterable[Row], language: str = ENGLISH.language) -> str:
    """Return what is short of what the safety matters need, "" = nothing: rows of table run_capacity."""
    parts = [
        say("plan.short_of", language, amount=f"{row['short']:.4g}", capacity=capacity_text(row["name"], language))
        for row in capacities
        if row["short"] > 0
    ]
    return say("plan.shortage", language, parts=", ".join(parts)) if parts else ""


def reason_text(row: Row, currency: str, write: Figures = ENGLISH) -> str:
    """Return in sentences why a retrofit is advised or not: ``row`` of table ranking; of older runs as it is stored."""
    stored = value_of(row, "reason")
    if stored is not None:
        return str(stored)
    if value_of(row, "npv") is not None:
        return _sentences(_valued(row, currency, write))
    obstacle = value_of(row, "obstacle")
    why = value_of(row, "screening_reason") if obstacle is None else say(f"obstacle.{obstacle}", write.language)
    return _sentences([str(why or "")])


def survey_text(row: Row, language: str = ENGLISH.language) -> str:
    """Return all that has to be looked at before the price holds, "" = nothing: ``row`` of table ranking."""
    npv = value_of(row, "npv")
    if npv is None or not (npv > 0 or value_of(row, "for_safety")):
        return ""
    quick = say("reason.quick_payback", language) if value_of(row, "quick_payback") else ""
    return "; ".join(filter(None, [quick, str(value_of(row, "screening_reason") or "")]))


def call_text(
    offer: Row,
    members: Sequence[Row],
    currency: str,
    write: Figures = ENGLISH,
    hazards: Sequence[str] = (),
    questions: Sequence[str] = (),
) -> str:
    """Return what to say on a call, as it is spoken.

    ``offer`` is the row of table offer with ``yearly_saving``, what a letter calls saving a year, and the fields of its
    ``aftersun.model.output.Price``; ``members`` are those
    of table ranking with ``title`` and ``summary`` of the retrofit. ``hazards`` are the texts of the notes of hazards
    known at the site: they come first, and what only ends one is not sold.
    """
    language, ends = write.language, bool(value_of(offer, "must_call"))
    told = ends and (len(members) == 1 or not float(offer["npv"]) > 0)
    parts = [say("call.hazard", language, hazards=" ".join(hazards))] if hazards or told else []
    if told:
        return " ".join([*parts, say("call.hazard_price", language, price=write.amount(offer["decided"], currency))])
    if parts:
        parts.append(say("call.after_hazard", language))
    return " ".join([*parts, _sentences(_offered(offer, members, currency, write, questions))])


def _offered(
    offer: Row, members: Sequence[Row], currency: str, write: Figures, questions: Sequence[str]
) -> Iterator[str]:
    """Yield what is recommended, what it costs and brings, what has to be asked and looked at first."""
    language = write.language
    for number, row in enumerate(members):
        title, summary = (value_of(row, name) or str(row["retrofit"]) for name in ("title", "summary"))
        yield say("call.recommend_too" if number else "call.recommend", language, title=title, summary=_small(summary))
    chance = value_of(offer, "chance_allowed")
    allowed = 1.0 if chance is None or not chance > 0 else float(chance)
    amounts = {"yearly": offer["yearly_saving"], "npv": float(offer["npv"])}
    written = {name: _amount(value, currency, write) for name, value in amounts.items()}
    written["price"] = write.amount(offer["decided"], currency)
    if offer["if_needed"]:
        items = ", ".join(item.replace("_", " ") for item in offer["items"])
        amount = write.amount(offer["if_needed"], currency)
        written["price"] = say("call.price_if_needed", language, price=written["price"], amount=amount, items=items)
    # with something to ask first, price and saving are those where the answers allow it; the net benefit is the mean
    # over all answers, which says nothing to somebody who is about to answer
    key = "figures_charge_alone" if not offer["upfront"] else "figures_allowed" if allowed < 1 else "figures"
    yield say(f"call.{key}", language, years=write.number(offer["years"]), **written)
    net, p90 = say("call.net", language, **written), value_of(offer, "npv_p90")
    if allowed < 1:
        yield say("call.ask", language, questions=" ".join(questions))
    elif p90 is None:
        yield net
    else:
        key, least = ("net_sure", p90) if p90 > 0 else ("net_unsure", -p90)
        yield say(f"call.{key}", language, net=net, least=_amount(least, currency, write))
    if surveys := [
        str(row["screening_reason"]) for row in members if survey_text(row) and value_of(row, "screening_reason")
    ]:
        yield say("call.survey", language, condition="; ".join(surveys))


def _small(text: str) -> str:
    """Return a text as it goes on after a colon: a capital that begins a word of capitals stays."""
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def standstill_text(row: Row, currency: str, write: Figures = ENGLISH, spoken: bool = False) -> str:
    """Return since when a system stands still and what that costs, "" = it does not: ``row`` of table site_evidence.

    ``spoken`` = as it is said to the owner on the phone.
    """
    since = value_of(row, "idle_since")
    if since is None:
        return ""
    figures = {name: write.number(row[f"idle_{name}"]) for name in ("days", "kwh", "expected_kwh")}
    chance, cost = write.percent(row["standstill_chance"]), _amount(row["idle_cost_a_month"], currency, write)
    key = "call.stands_still_spoken" if spoken else "call.stands_still"
    return say(key, write.language, since=write.day(since), chance=chance, cost=cost, **figures)


def changed_text(row: Row, write: Figures = ENGLISH) -> str:
    """Return when output changed at once, what it may be, and when there was none: ``row`` of table site_evidence."""
    parts = []
    since, language = value_of(row, "changed_on"), write.language
    if since is not None:
        change, error = float(row["change"]), write.percent(row["change_se"])
        suspected = [
            say("change.cause", language, cause=say(f"step_cause.{cause}", language), chance=write.percent(chance))
            for cause, chance in zip(row["change_causes"], row["change_chances"], strict=True)
        ]
        causes = ", ".join(suspected) or say("change.unknown", language)
        key = "change.fell" if change < 0 else "change.rose"
        share = write.percent(abs(change))
        parts.append(say(key, language, since=write.day(since), share=share, error=error, causes=causes))
    if value_of(row, "outages"):
        figures = {name: write.number(row[f"outage_{name}"]) for name in ("days", "kwh")}
        key = "change.outage_one" if row["outages"] == 1 else "change.outage_many"
        since = write.day(row["outage_since"])
        parts.append(say(key, language, outages=int(row["outages"]), since=since, **figures))
    return " ".join(parts)


def when_text(row: Row, language: str = ENGLISH.language) -> str:
    """Return when a cost item is paid: ``row`` of table cost_item."""
    if value_of(row, "every_year"):
        return say("when.every_year", language)
    return say("when.later" if row["in_year"] else "when.once", language, years=row["in_year"])


def note_text(row: Row, language: str = ENGLISH.language) -> str:
    """Return what is said beside a cost item, "" = nothing: ``row`` of table cost_item."""
    figures = {name: value_of(row, name) for name in ("trip_km", "trip_hours", "storeys_assumed")}
    said = {
        "trip": figures["trip_km"] is not None,
        "out_of_reach": value_of(row, "out_of_reach"),
        "roof_kind_unknown": value_of(row, "roof_kind_unknown"),
        "storeys_assumed": figures["storeys_assumed"] is not None,
    }
    parts = [say(f"cost_note.{key}", language, **figures) for key, is_so in said.items() if is_so]
    return "; ".join(filter(None, [value_of(row, "note"), *parts]))


def station_text(row: Row, language: str = ENGLISH.language) -> str:
    """Return why the weather station makes the energy of a site less certain, "" = it does not: of site_energy."""
    height = value_of(row, "height_difference_m")
    parts = ["distance"] if value_of(row, "station_far") else []
    if value_of(row, "station_steep"):
        parts.append("higher" if height > 0 else "lower")
    figures = {"distance_km": row["distance_km"], "height_m": None if height is None else abs(height)}
    return say("station.and", language).join(say(f"station.{part}", language, **figures) for part in parts)


def replaced_text(who: str | None, why: str | None, language: str = ENGLISH.language) -> str:
    """Return by whom a value was replaced, and why, where that is said."""
    by = say("replaced.by", language, who=who) if who else say("replaced.by_company", language)
    return f"{by}; {why}" if why else by


def untold_text(row: Row, language: str = ENGLISH.language) -> str:
    """Return what the meter readings of a site could not tell, "" = nothing: ``row`` of table site_evidence."""
    figures = {name: value_of(row, name) for name in ("factor", "factor_read")}
    figures |= {name: tables.mode("readings_limits.csv", name) for name in ("trend_years", "factor_min", "factor_max")}
    codes = list(row["remarks"])
    if figures["factor"] != figures["factor_read"]:  # until version 0.2.0 the nearest bound was taken
        codes = ["bound_taken" if code == Untold.BEYOND_BOUNDS else code for code in codes]
    return "; ".join(say(f"untold.{code}", language, **figures) for code in codes)


def finding_text(row: Row, language: str = ENGLISH.language) -> str:
    """Return in sentences what is wrong with readings, and what to do: ``row`` of table reading_finding."""
    return _sentences([_finding(row, language), say(f"finding_hint.{row['finding']}", language)])


def _finding(row: Row, language: str) -> str:
    days, share, late_h = (value_of(row, name) for name in ("gap_days", "gap_share", "late_h"))
    hours = None if late_h is None else say("finding.late" if late_h > 0 else "finding.early", language, h=abs(late_h))
    percent = None if share is None else 100 * share
    figures = {"readings": row["readings"], "days": days, "percent": percent, "hours": hours}
    text = say(f"finding.{row['finding']}", language, **figures)
    share = value_of(row, "kwh_share")
    if share is None:
        return text
    return say("finding.extent", language, text=text, days=row["days"], kwh=row["kwh"], percent=100 * share)


def _valued(row: Row, currency: str, write: Figures) -> Iterator[str]:
    """Yield what an evaluated retrofit does for the owner over its years, and what was assumed of the site."""
    language = write.language
    if value_of(row, "status") == Status.ASK_FIRST:
        chance = write.percent(row["chance_allowed"])
        yield say("reason.ask_first", language, chance=chance, npv=_amount(row["npv"], currency, write))
        # the rest is of those whom the answers allow it, as price and payback are
        means = {
            name: row[name] / row["chance_allowed"] for name in ("npv", "npv_if_rule_stays") if value_of(row, name)
        }
        row = {**row, **means}
    yield _verdict(row, currency, write)
    survey = survey_text(row, language)
    if survey:
        yield say("reason.survey", language, condition=survey)
    if value_of(row, "variant") is not None:
        yield say("reason.variant", language, variant=row["variant"])
    yield str(value_of(row, "change_remark") or "")
    years = value_of(row, "remaining_years_assumed")
    if years is not None:
        yield say("reason.remaining_years_assumed", language, years=write.number(years))
    ends, stays = (value_of(row, name) for name in ("rule_ends_in_years", "npv_if_rule_stays"))
    if ends is not None and stays is not None:
        key = "reason.rule_ends_assumed" if value_of(row, "rule_end_assumed") else "reason.rule_ends"
        yield say(key, language, years=write.number(ends, 1), npv=_amount(stays, currency, write))
    for unknown in ("export_price_unknown", "export_price_after_unknown", "fuel_price_unknown"):
        if value_of(row, unknown):
            yield say(f"reason.{unknown}", language)


def _verdict(row: Row, currency: str, write: Figures) -> str:
    language, years = write.language, int(row["years"])
    npv, first_year, payback = row["npv"], row["first_year_saving"], value_of(row, "discounted_payback_years")
    if years < 1:
        return say("reason.system_ends", language)
    upfront, change = (_amount(abs(value), currency, write) for value in (row["upfront"], first_year))
    start = ("brings" if first_year >= 0 else "loses") + ("" if row["upfront"] else "_by_charge")
    start = say(f"reason.{start}", language, upfront=upfront, first_year=change)
    key = "short" if not npv > 0 else "worth" if payback is None else "worth_paid_back"
    return say(
        f"reason.{key}",
        language,
        start=start,
        npv=_amount(abs(npv), currency, write),
        span=say("reason.one_year" if years == 1 else "reason.years", language, years=years),
        payback=None if payback is None else write.number(payback, 1),
    )


def _amount(value: float, currency: str, write: Figures) -> str:
    """Write a computed amount of money; small ones with their decimals."""
    return write.amount(for_reading(value), currency, 0 if abs(value) >= 10 else 2)


def _sentences(parts: Iterable[str]) -> str:
    """Make a sentence of each part that says something."""
    return " ".join(part[0].upper() + part[1:] + ("" if part[-1] in ".?!" else ".") for part in parts if part)


def _known(section: str, code: str, language: str, **figures: Any) -> str:
    """Return the text of a code; what is none, as older runs may have it, as it is."""
    return say(f"{section}.{code}", language, **figures) if code in _texts(language)[section] else code


@cache
def _translations(language: str) -> Mapping[str, str]:
    """Return the translations of a language by English text, from its PO file; none where it has no file."""
    file = aftersun_datasets.path(f"wording/{language}.po")
    if not file.is_file():
        return {}
    with file.open(encoding="utf-8") as opened:
        messages = read_po(opened, locale=language)
    return {str(one.id): str(one.string) for one in messages if one.id and one.string and not one.fuzzy}


@cache
def _texts(language: str) -> Mapping[str, Mapping[str, str]]:
    """Return the texts of a language by section and name; in English where there is no file for it."""
    file = aftersun_datasets.path(f"wording/{language}.toml")
    if not file.is_file():
        return _texts(ENGLISH.language)
    texts: Mapping[str, Mapping[str, str]] = tomllib.loads(file.read_text(encoding="utf-8"))
    return texts

"""What a letter says of a system, in codes and figures, all of it from stored facts."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from numbers import Integral, Real
from typing import Any

import pandas as pd

from aftersun.model.change import severity_order
from aftersun.model.codes import Status
from aftersun.model.letter import LetterFact, LetterLoss, LetterNote, LetterQuestion
from aftersun.model.uses import reclaims_tax
from aftersun.wording import Row, station_text, value_of

MOST_QUESTIONS = 5
_LARGEST_LOSSES = 3
LEAST_KWH = 0.5  # a year; less is none
_LEAST_SHARE = 0.005  # less is not a percent
_DIGITS = 8  # after the decimal mark: noise beyond them is no change, and rounding once more shows nowhere

# What a system loses on average, unless this fact of the site is known.
_BY_CHANCE: Mapping[str, str] = {
    "droppings_kwh": "birds_seen",
    "excess_degradation_kwh": "measured_excess_loss",
    "shunts_in_low_light_kwh": "measured_excess_loss",
    "open_strings_kwh": "open_string",
}
_COMPASS = ("north", "north_east", "east", "south_east", "south", "south_west", "west", "north_west")
_FIRST, _LAST = "in_plane_kwh", "generated_kwh"


def fact(code: str, **values: Any) -> LetterFact:
    """Return a fact with what is known of these values, plain and rounded."""
    return LetterFact(code, {name: _plain(value) for name, value in values.items() if value is not None})


def _plain(value: Any) -> Any:
    if isinstance(value, Integral):
        return int(value)
    return round(float(value), _DIGITS) + 0.0 if isinstance(value, Real) else value  # no -0.0


@dataclass(frozen=True)
class Stored:
    """The stored rows of one site: its facts, its arrays, and what the tables of the run have of it."""

    site: Row
    tables: Mapping[str, Sequence[Row]]

    @property
    def site_id(self) -> str:
        """Its number."""
        return str(self.site["site_id"])

    def only(self, table: str) -> Row | None:
        """Return the only row of a table, None where it has none."""
        return next(iter(self.tables[table]), None)

    def of(self, table: str, column: str, names: Sequence[str]) -> list[Row]:
        """Return the rows of a table that have one of these names in a column."""
        return [row for row in self.tables[table] if row[column] in names]

    @property
    def energy(self) -> Row:
        """Its row of table site_energy; there is one of a site that could be valued."""
        (row,) = self.tables["site_energy"]
        return row

    @property
    def offers(self) -> dict[str, Row]:
        """Its offers by name; not those that the customer has to be asked about first."""
        ask = {row["retrofit"] for row in self.tables["ranking"] if row["status"] == Status.ASK_FIRST}
        return {str(row["offer"]): row for row in self.tables["offer"] if row["offer"] not in ask}

    @property
    def dangers(self) -> tuple[LetterNote, ...]:
        """The dangers known to stand there now, worst first."""
        return notes_of([row for row in self.tables["safety_note"] if value_of(row, "tell_owner")])


def tax_reclaimed(stored: Stored) -> bool:
    """Tell whether the owner of a site gets sales tax back."""
    return bool(reclaims_tax(pd.DataFrame([stored.site]))[0])


def system_facts(stored: Stored, unknown_demand_kwh: float, today: date) -> tuple[LetterFact, ...]:
    """Return what is known of a system; ``unknown_demand_kwh`` a year is what the run takes where nothing tells it."""
    site, arrays, energy = stored.site, stored.tables["array"], stored.energy
    # where all three meters are read, the run takes what they measured
    demand = (
        fact("demand_assumed", kwh=unknown_demand_kwh)
        if not stored.tables["site_evidence"]
        else fact("demand_from_meters")
    )
    faces: list[LetterFact] = []
    for array in arrays:
        azimuth, tilt = (value_of(array, name) for name in ("azimuth_deg", "tilt_deg"))
        if azimuth is None or tilt is None:
            face = fact("face_assumed")
        else:
            compass = fact(f"compass_{_COMPASS[round(float(azimuth) / 45) % 8]}")
            face = fact("face", compass=compass, tilt_deg=tilt)
        if face not in faces:
            faces.append(face)
    heater = value_of(site, "water_heat")
    used, year = value_of(site, "annual_demand_kwh"), value_of(site, "inverter_year")
    facts = [
        fact("fact_size", **(_size(arrays) or {"assumed": fact("size_assumed")})),
        fact("fact_age", **(_age(site, today) or {"since": fact("not_known")})),
        fact("fact_faces", faces=tuple(faces)),
        fact("fact_inverter", kw=value_of(site, "inverter_rating_kw"), year=None if year is None else str(year)),
        fact("fact_battery", kwh=value_of(site, "battery_kwh") or None),
        fact(
            "fact_hot_water",
            heater=heater and fact(f"heater_{str(heater).replace(' ', '_')}"),
            litres=(heater and value_of(site, "water_store_litres")) or None,
        ),
        fact("fact_demand", assumed=demand) if used is None else fact("fact_demand", kwh=used),
        fact("fact_generates", kwh=energy["generated_kwh"], kwh_per_kw=energy["yield_kwh_per_kw"]),
    ]
    return tuple(one for one in facts if one.values and one.values.get("faces") != ())


def _size(arrays: Sequence[Row]) -> dict[str, Any]:
    modules = [value_of(array, "module_count") for array in arrays]
    ratings = [value_of(array, "dc_rating_kw") for array in arrays]
    if None in ratings:
        return {}
    return {
        "kw": sum(map(float, ratings)),
        "modules": sum(modules) if modules and None not in modules else None,
    }


def _age(site: Row, today: date) -> dict[str, Any]:
    since = value_of(site, "commissioned_on")
    if since is None:
        return {}
    n = today.year - since.year - ((today.month, today.day) < (since.month, since.day))
    return {"since": str(since.year), "n": n}


def weather_of(energy: Row) -> LetterFact:
    """Return which weather the energy was computed with; ``sd_share`` is of a year's light."""
    sd_share = energy["weather_sd_share"]
    if energy["weather_basis"] == "normals":
        return fact("weather_normals", sd_share=sd_share)
    higher = value_of(energy, "height_difference_m") or 0.0
    return fact(
        "weather_station",
        station=str(energy["station_id"]),
        km=energy["distance_km"],
        higher_m=higher if higher >= 1 else None,
        lower_m=-higher if higher <= -1 else None,
        sd_share=sd_share,
    )


def findings_of(stored: Stored, today: date) -> tuple[LetterFact, ...]:
    """Return what stands out: yield, use, meter readings, losses, weather."""
    site, energy = stored.site, stored.energy
    expected = fact(
        "finding_expected", kwh=energy["generated_kwh"], **_size(stored.tables["array"]), **_age(site, today)
    )
    far = [fact("finding_far_weather")] if station_text(energy) else []
    return (
        expected,
        *_used(energy),
        *_from_meters(stored.only("site_evidence")),
        *_largest(site, stored.tables["site_loss"]),
        *(_of_readings(row) for row in stored.tables["reading_finding"]),
        fact("finding_weather", weather=weather_of(energy)),
        *far,
    )


def _of_readings(row: Row) -> LetterFact:
    late_h = value_of(row, "late_h")
    return fact(
        f"finding_reading_{row['finding']}",
        readings=row["readings"],
        days=value_of(row, "gap_days"),
        share=value_of(row, "gap_share"),
        hours_late=late_h if late_h is not None and late_h > 0 else None,
        hours_early=-late_h if late_h is not None and late_h <= 0 else None,
    )


def _used(energy: Row) -> list[LetterFact]:
    generated = float(energy["generated_kwh"])
    if generated < 1:
        return []
    shares = {name: float(energy[f"{name}_kwh"]) / generated for name in ("used", "to_water", "exported", "curtailed")}
    told = tuple(fact(f"share_{name}", share=share) for name, share in shares.items() if share >= _LEAST_SHARE)
    return [fact("finding_used", shares=told)] if told else []


def _from_meters(evidence: Row | None) -> list[LetterFact]:
    if evidence is None:
        return [fact("finding_no_meters")]
    n, share = round(float(evidence["years_of_data"]), 1), value_of(evidence, "factor")
    if share is None:
        return [fact("finding_meters_silent", n=n)]
    if value_of(evidence, "factor_read") is not None:  # the facts are wrong more likely than the system
        return [fact("finding_meters_doubted", share=share), *_outages(evidence)]
    facts = [fact("finding_meters", n=n, share=share, se_share=evidence["factor_se"])]
    changed_on, change = value_of(evidence, "changed_on"), value_of(evidence, "change")
    if changed_on is not None and change is not None and change < 0:
        facts.append(
            fact("finding_fell", since=pd.Timestamp(changed_on).date(), share=-change, se_share=evidence["change_se"])
        )
    facts += _outages(evidence)
    missing = value_of(evidence, "shortfall")
    if missing is not None and missing >= _LEAST_SHARE:
        facts.append(fact("finding_shortfall", share=missing))
    low, high = value_of(evidence, "trend_low"), value_of(evidence, "trend_high")
    if low is not None and high is not None and (low > 0 or high < 0):
        facts.append(fact("finding_trend", share_per_year=evidence["trend_per_year"]))
    return facts


def _outages(evidence: Row) -> list[LetterFact]:
    if not value_of(evidence, "outages"):
        return []
    since = pd.Timestamp(evidence["outage_since"]).date()
    return [fact("finding_stood", days=evidence["outage_days"], since=since, kwh=evidence["outage_kwh"])]


def _largest(site: Row, losses: Sequence[Row]) -> list[LetterFact]:
    light = next((float(row["kwh"]) for row in losses if row["step"] == _FIRST), 0.0)
    steps = [row for row in losses if row["step"] not in (_FIRST, _LAST) and row["kwh"] >= LEAST_KWH]
    largest = sorted(steps, key=lambda row: -float(row["kwh"]))[:_LARGEST_LOSSES]
    if not largest or light <= 0:
        return []
    named = [
        fact(
            "largest_loss",
            step=fact(f"loss_{row['step']}"),
            share=float(row["kwh"]) / light,
            chance=fact("loss_by_chance") if _by_chance(site, row["step"]) else None,
        )
        for row in largest
    ]
    return [fact("finding_largest_losses", losses=tuple(named))]


def _by_chance(site: Row, step: str) -> bool:
    return step in _BY_CHANCE and value_of(site, _BY_CHANCE[step]) is None


def losses_of(site: Row, losses: Sequence[Row]) -> tuple[LetterLoss, ...]:
    """Return the steps from the light on the modules, which is added, down to what is generated."""
    shown = []
    for row in losses:
        step, kwh = str(row["step"]), round(float(row["kwh"]), 2)
        if step == _FIRST:
            shown.append(LetterLoss(step, -kwh))
        elif step != _LAST and abs(row["kwh"]) >= LEAST_KWH:
            shown.append(LetterLoss(step, kwh, _by_chance(site, step)))
    return tuple(shown)


def notes_of(rows: Sequence[Row]) -> tuple[LetterNote, ...]:
    """Return all notes once, worst first."""
    notes = [LetterNote(*(str(row[name]) for name in ("note_id", "severity", "text", "who"))) for row in rows]
    return tuple(sorted(dict.fromkeys(notes), key=lambda note: severity_order(note.severity)))


def questions_of(
    rows: Sequence[Row], members: Sequence[str], title: Callable[[str], str]
) -> tuple[LetterQuestion, ...]:
    """Return the questions about what is proposed whose answer is worth a unit of money, the most valuable first."""
    questions = []
    valuable = [row for row in rows if round(value_of(row, "value_of_phone") or 0.0) > 0]
    for row in sorted(valuable, key=lambda row: -float(row["value_of_phone"])):
        about = [name for name in row["retrofits"] if name in members]
        if about:
            worth = float(round(row["value_of_phone"]))
            questions.append(LetterQuestion(str(row["question"]), tuple(map(title, about)), worth))
    return tuple(questions[:MOST_QUESTIONS])

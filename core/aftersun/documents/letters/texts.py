"""What a letter says of a system in words: facts, findings, losses, questions. Everything comes from stored facts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from aftersun.model.change import severity_order
from aftersun.model.letter import LetterFact, LetterLoss, LetterNote, LetterQuestion
from aftersun.model.output import Letterhead

MOST_QUESTIONS = 5
_LARGEST_LOSSES = 3
_LEAST_LOSS_KWH = 0.5  # less is not a kWh

# What a system loses on average, unless this fact of the site is known.
_BY_CHANCE: Mapping[str, str] = {
    "droppings_kwh": "birds_seen",
    "excess_degradation_kwh": "measured_excess_loss",
    "shunts_in_low_light_kwh": "measured_excess_loss",
    "open_strings_kwh": "open_string",
}
AVERAGE = "average, not known whether at yours"
_HEATERS: Mapping[str, str] = {"lpg boiler": "LPG boiler"}

_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
_FIRST, _LAST = "in_plane_kwh", "generated_kwh"
_STEPS: Mapping[str, str] = {
    _FIRST: "light on the modules, at their rated efficiency",
    "horizon_kwh": "hills and buildings on the skyline",
    "shading_kwh": "shade of trees and buildings",
    "row_shading_kwh": "shade of one row on the next",
    "incidence_kwh": "reflection on the glass",
    "temperature_kwh": "heat of the modules",
    "transmittance_kwh": "glass that lets less light through",
    "droppings_kwh": "droppings",
    "soiling_kwh": "dirt",
    "modules_and_cables_kwh": "modules that differ, cables, plugs",
    "ageing_kwh": "normal ageing",
    "excess_degradation_kwh": "ageing beyond the normal",
    "shunts_in_low_light_kwh": "damaged cells in low light",
    "open_strings_kwh": "strings that deliver nothing",
    "calibration_kwh": "missing by your meter, cause not known",
    "clipping_kwh": "more than the inverter can take",
    "inverter_kwh": "inverter",
    "stops_kwh": "stops of the system",
}


@dataclass(frozen=True)
class Figures:
    """Writes numbers with the company's marks."""

    decimal_mark: str
    thousands_mark: str

    @classmethod
    def of(cls, head: Letterhead) -> Figures:
        """Take the marks of a letterhead."""
        return cls(head.decimal_mark, head.thousands_mark)

    def number(self, value: float, decimals: int = 0, sign: bool = False) -> str:
        """Return a number with so many decimals; ``sign`` writes a plus, too."""
        text = f"{value:{'+' if sign else ''},.{decimals}f}"
        whole, point, part = text.partition(".")
        return whole.replace(",", self.thousands_mark) + (self.decimal_mark + part if point else "")

    def short(self, value: float) -> str:
        """Return a number with two decimals at most and no zeros at the end."""
        decimals = len(f"{value:.2f}".rstrip("0").partition(".")[2])
        return self.number(value, decimals)

    def percent(self, share: float, decimals: int = 0) -> str:
        """Return a share, 0..1, in percent."""
        return f"{self.number(100 * share, decimals)} %"


Row = Mapping[Any, Any]


def known(row: Row, name: str) -> Any:
    """Return a value, None where it is not known."""
    value = row.get(name)
    return None if value is None or pd.isna(value) else value


def system_facts(
    site: Row, arrays: Sequence[Row], energy: Row, demand: str, today: date, figures: Figures
) -> tuple[LetterFact, ...]:
    """Return what is known of a system, each with its unit; ``demand`` is told where none is recorded."""
    facts: list[tuple[str, str]] = [("Size", _size(arrays, figures))]
    facts.append(("In use since", _age(site, today)))
    faces = [
        f"{_direction(array['azimuth_deg'])}, tilted {figures.number(array['tilt_deg'])} degrees" for array in arrays
    ]
    facts.append(("Faces", "; ".join(dict.fromkeys(faces))))
    inverter = known(site, "inverter_rating_kw")
    year = known(site, "inverter_year")
    if inverter is not None or year is not None:
        parts = [f"{figures.short(inverter)} kW" if inverter is not None else "", f"fitted in {year}" if year else ""]
        facts.append(("Inverter", ", ".join(filter(None, parts))))
    if known(site, "battery_kwh"):
        facts.append(("Battery", f"{figures.short(site['battery_kwh'])} kWh"))
    if known(site, "water_heat"):
        litres = known(site, "water_store_litres")
        store = f", store of {figures.number(litres)} litres" if litres else ""
        heater = str(site["water_heat"])
        facts.append(("Hot water", f"{_HEATERS.get(heater, heater)}{store}"))
    used = known(site, "annual_demand_kwh")
    facts.append(("Electricity used", demand if used is None else f"{figures.number(used)} kWh a year"))
    generated = figures.number(energy["generated_kwh"])
    per_kw = figures.number(energy["yield_kwh_per_kw"])
    facts.append(("Generates", f"{generated} kWh in a typical year, {per_kw} kWh for each kW"))
    return tuple(LetterFact(label, value) for label, value in facts if value)


def _size(arrays: Sequence[Row], figures: Figures) -> str:
    size = f"{figures.short(sum(float(array['dc_rating_kw']) for array in arrays))} kW"
    modules = [known(array, "module_count") for array in arrays]
    return f"{size} in {figures.number(sum(modules))} modules" if modules and None not in modules else size


def _age(site: Row, today: date) -> str:
    since = known(site, "commissioned_on")
    if since is None:
        return "not known"
    years = today.year - since.year - ((today.month, today.day) < (since.month, since.day))
    return f"{since.year} ({years} {'year' if years == 1 else 'years'})"


def _direction(azimuth_deg: float) -> str:
    return _COMPASS[round(float(azimuth_deg) / 45) % 8]


def weather_of(energy: Row, figures: Figures) -> str:
    """Say which weather the energy was computed with."""
    sure = f"standard deviation of the year's light {figures.percent(energy['weather_sd_share'])}"
    if energy["weather_basis"] == "normals":
        return f"A typical year made from the built-in climate normals of the place; {sure}."
    apart = known(energy, "height_difference_m")
    higher = ""
    if apart is not None and abs(apart) >= 1:
        higher = f", {figures.number(abs(apart))} m {'higher' if apart > 0 else 'lower'}"
    away = f"{figures.number(energy['distance_km'])} km away{higher}"
    return f"A typical year of the weather station {energy['station_id']}, {away}; {sure}."


def findings_of(
    site: Row,
    arrays: Sequence[Row],
    energy: Row,
    evidence: Row | None,
    losses: Sequence[Row],
    readings: Sequence[Row],
    today: date,
    figures: Figures,
) -> tuple[str, ...]:
    """Return what is known of the system, in sentences."""
    said = [_expected(site, arrays, energy, today, figures), _used(energy, figures)]
    said += _from_meters(evidence, figures)
    said.append(_largest(site, losses, figures))
    said += [str(row["text"]) for row in readings]
    said.append(f"Weather: {weather_of(energy, figures)}")
    if known(energy, "remark"):
        said.append("The weather station is far away or at another height, which makes the energy less certain.")
    return tuple(filter(None, said))


def _expected(site: Row, arrays: Sequence[Row], energy: Row, today: date, figures: Figures) -> str:
    since = known(site, "commissioned_on")
    use = "" if since is None else f", in use since {_age(site, today)},"
    return (
        f"From your system of {_size(arrays, figures)}{use} we expect {figures.number(energy['generated_kwh'])} kWh in "
        "a year of typical weather."
    )


def _used(energy: Row, figures: Figures) -> str:
    generated = float(energy["generated_kwh"])
    if generated < 1:
        return ""
    shares = [
        (float(energy[name]), what)
        for name, what in (
            ("used_kwh", "are used at once on site"),
            ("to_water_kwh", "heat water"),
            ("exported_kwh", "are fed into the grid"),
            ("curtailed_kwh", "are cut off at the limit of the connection"),
        )
    ]
    parts = [f"{figures.percent(kwh / generated)} {what}" for kwh, what in shares if kwh / generated >= 0.005]
    return f"Of this {', '.join(parts)}." if parts else ""


def _from_meters(evidence: Row | None, figures: Figures) -> list[str]:
    if evidence is None:
        return ["We have no meter readings of your system: what it really generates may differ."]
    years = figures.number(evidence["years_of_data"], 1)
    years += " year" if float(years.replace(figures.decimal_mark, ".")) == 1 else " years"
    factor = known(evidence, "factor")
    if factor is None:
        return [f"Your meter readings of {years} do not tell how the system does."]
    said = [
        f"Your meter readings of {years} show {figures.percent(factor)} of what the weather lets us expect, "
        f"give or take {figures.percent(evidence['factor_se'])}; where they are sure enough, our figures "
        "are corrected by them."
    ]
    missing = known(evidence, "shortfall")
    if missing is not None and missing >= 0.005:
        said.append(
            f"At least {figures.percent(missing)} of the yield are missing beyond any error of the comparison: the "
            "cause should be found."
        )
    low, high = known(evidence, "trend_low"), known(evidence, "trend_high")
    if low is not None and high is not None and (low > 0 or high < 0):
        change = figures.number(100 * float(evidence["trend_per_year"]), 1, sign=True)
        said.append(f"The yield changes by {change} % a year.")
    return said


def _largest(site: Row, losses: Sequence[Row], figures: Figures) -> str:
    light = next((float(row["kwh"]) for row in losses if row["step"] == _FIRST), 0.0)
    steps = [row for row in losses if row["step"] not in (_FIRST, _LAST) and row["kwh"] >= _LEAST_LOSS_KWH]
    largest = sorted(steps, key=lambda row: -float(row["kwh"]))[:_LARGEST_LOSSES]
    if not largest or light <= 0:
        return ""
    named = []
    for row in largest:
        chance = f", {AVERAGE}" if by_chance(site, row["step"]) else ""
        named.append(f"{step_in_words(row['step'])} ({figures.percent(float(row['kwh']) / light, 1)}{chance})")
    return f"The largest losses on the way from light to electricity: {', '.join(named)}."


def step_in_words(step: str) -> str:
    """Return the words for a step of the chain of losses."""
    return _STEPS.get(step, step.removesuffix("_kwh").replace("_", " "))


def by_chance(site: Row, step: str) -> bool:
    """Tell whether a loss is an average over systems like it, since nobody knows whether this one has it."""
    return step in _BY_CHANCE and known(site, _BY_CHANCE[step]) is None


def losses_of(site: Row, losses: Sequence[Row]) -> tuple[LetterLoss, ...]:
    """Return the steps from the light on the modules, which is added, down to what is generated."""
    found = []
    for row in losses:
        kwh = float(row["kwh"])
        if row["step"] == _FIRST:
            found.append(LetterLoss(step_in_words(_FIRST), -round(kwh, 2)))
        elif row["step"] != _LAST and abs(kwh) >= _LEAST_LOSS_KWH:
            found.append(LetterLoss(step_in_words(row["step"]), round(kwh, 2), by_chance(site, row["step"])))
    return tuple(found)


def notes_of(rows: Sequence[Row]) -> tuple[LetterNote, ...]:
    """Return all notes once, worst first."""
    told = [LetterNote(*(str(row[name]) for name in ("note_id", "severity", "text", "who"))) for row in rows]
    return tuple(sorted(dict.fromkeys(told), key=lambda note: severity_order(note.severity)))


def questions_of(
    rows: Sequence[Row], members: Sequence[str], titles: Mapping[str, str], currency: str, figures: Figures
) -> tuple[LetterQuestion, ...]:
    """Return the questions about what is proposed whose answer is worth something, the most valuable first."""
    found = []
    worth = [row for row in rows if known(row, "value_of_phone") and row["value_of_phone"] > 0]
    for row in sorted(worth, key=lambda row: -float(row["value_of_phone"])):
        about = [name for name in str(row["retrofits"]).split(", ") if name in members]
        if about:
            what = " and ".join(titles.get(name, name) for name in about)
            value = figures.number(row["value_of_phone"])
            changes = (
                f"The answer could turn our advice on: {what}. Knowing it is worth about {value} {currency} to you."
            )
            found.append(LetterQuestion(str(row["question"]), changes))
    return tuple(found[:MOST_QUESTIONS])

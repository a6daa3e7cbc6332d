"""The company file: one commented TOML with the company's own prices and settings, read and checked here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from operator import attrgetter
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
    field_validator,
    model_validator,
)

from aftersun.model import tables
from aftersun.model.change import ACCESS
from aftersun.model.errors import AftersunError
from aftersun.model.figures import ENGLISH, LETTER_LANGUAGES, Figures
from aftersun.model.ranges import Range
from aftersun.model.toml_file import read_toml
from aftersun.money.complaints import complaints
from aftersun.money.template import SECTIONS, company_template

__all__ = ["NO_EQUIPMENT", "Company", "company_template", "load_company"]

NO_EQUIPMENT = "none"  # stands in the access rules where nothing has to be brought
NO_CURRENCY = "XXX"  # ISO 4217: no currency

Cost = Annotated[float, Field(ge=0)]
Costs = dict[str, Cost]
Growth = Annotated[float, Field(ge=-0.2, le=0.2)]
Lifetime = Annotated[float, Field(gt=0, le=60)]
# one entry = one storey, the last one holds for all higher buildings; TOML has lists, a frozen record tuples
ByStoreys = Annotated[tuple[str, ...], Field(strict=False, min_length=1)]
Lines = Annotated[tuple[str, ...], Field(strict=False, max_length=12)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class _PartWithUsual(_Part):
    """A section in which a number that is left out is the usual one: its mode in ``money.csv``."""

    @model_validator(mode="before")
    @classmethod
    def _filled_up(cls, given: Any) -> Any:
        usual = tables.settings(cls.__name__.lower())
        modes = {name: usual[name].mode for name, field in cls.model_fields.items() if field.is_required()}
        return {**modes, **given} if isinstance(given, dict) else given


class Identity(_Part):
    """[company] Whose file it is and what its amounts mean."""

    name: str = Field(min_length=1, description="the company's name as customers know it")
    currency: str = Field(pattern="^[A-Z]{3}$", description='three capital letters, for example "NOK"')
    country: str = Field(default="", pattern="^([A-Z]{2})?$", description='two capital letters, for example "NO"')
    price_date: date = Field(description="day the prices were checked, for example 2026-03-31, no quotes")
    prices_include_tax: bool = Field(description="true or false: do the costs here contain sales tax?")

    @field_validator("currency")
    @classmethod
    def _is_set(cls, value: str) -> str:
        if value == NO_CURRENCY:
            raise ValueError(f'{NO_CURRENCY} means no currency; write your own, for example "NOK"')
        return value


class Money(_Part):
    """[money] How the future is valued; rates are shares a year above inflation."""

    real_discount_rate: float = Field(ge=0, le=0.3, description="3 % is 0.03")
    horizon_years: int = Field(ge=1, le=60, description="whole years")
    electricity_price_growth: Growth = Field(description="2 % is 0.02, above inflation")
    fuel_price_growth: Growth = Field(description="2 % is 0.02, above inflation")
    sales_tax_rate: float = Field(ge=0, le=0.5, description="20 % is 0.2")
    markup_share: float = Field(ge=0, le=3, description="25 % is 0.25")


class RoofEquipment(_Part):
    """[access.roof] Equipment by roof kind of the column dictionary, each a list over storeys."""

    pitched_tile: ByStoreys
    pitched_slate: ByStoreys
    pitched_metal: ByStoreys
    flat_membrane: ByStoreys
    flat_gravel: ByStoreys
    fragile_sheet: ByStoreys
    unknown: ByStoreys


class Access(_Part):
    """[access] What has to be brought to reach the modules, and what it costs a visit."""

    ground: str = Field(description="equipment for work from the ground and on arrays on the ground")
    storeys_if_unknown: int = Field(ge=1, le=30, description="whole storeys")
    cost_per_visit: Costs
    roof: RoofEquipment
    edge: ByStoreys | None = Field(default=None, description="equipment in a list over storeys")
    business: dict[str, ByStoreys] = Field(default_factory=dict, description="as roof, where nobody lives")

    @model_validator(mode="after")
    def _equipment_has_a_cost(self) -> Access:
        if strange := sorted(set(self.business) - set(RoofEquipment.model_fields)):
            raise ValueError(
                f"{strange[0]} in [access.business] is no roof kind of [access.roof]; remove or correct it"
            )
        by_roof = (getattr(self.roof, kind) for kind in RoofEquipment.model_fields)
        named = {self.ground}.union(self.edge or (), *by_roof, *self.business.values())
        missing = sorted(named - set(self.cost_per_visit) - {NO_EQUIPMENT})
        if missing:
            raise ValueError(f"no cost for {', '.join(missing)}; add it to [access.cost_per_visit] or correct it")
        return self

    def equipment(self, item: str, roof_kind: str | None, storeys: int, home: bool = True) -> str:
        """Return the equipment for access ``item`` of ACCESS_TO; None = unknown roof kind.

        The rule for the edge holds on pitched roofs; everywhere else, and without one, that of the roof holds. Where
        nobody lives a rule for business goes before both.
        """
        if item == "ground" or roof_kind == "ground":
            return self.ground
        kind = (roof_kind or "unknown").replace(" ", "_")
        by_storeys: tuple[str, ...] = getattr(self.roof, kind)
        if not home and kind in self.business:
            by_storeys = self.business[kind]
        elif item == "roof edge" and self.edge and (roof_kind or "").startswith("pitched"):
            by_storeys = self.edge
        return by_storeys[min(storeys, len(by_storeys)) - 1]


class Travel(_Part):
    """[travel] From the base to a site and back."""

    base_latitude: float = Field(ge=-90, le=90, description="degrees, north positive")
    base_longitude: float = Field(ge=-180, le=180, description="degrees, east positive")
    skill: str = Field(description="a name under [work]: what an hour on the road is paid")
    people: float = Field(ge=0, le=10, description="people in the van whose time is paid")
    cost_per_km: Cost
    road_factor: float = Field(ge=1, le=5, description="km by road per km of straight line")
    average_speed_km_h: float = Field(gt=0, le=130, description="km/h")
    max_distance_km: Cost = Field(description="km by road, one way")


class PvSystem(_Part):
    """[pv_system] Remaining life of the PV system where the owner has not said."""

    life_years: Lifetime
    least_remaining_years: float = Field(ge=0, le=20, description="years")


class Retrofits(_Part):
    """[retrofits] What the company does not offer."""

    off: Annotated[tuple[str, ...], Field(strict=False)] = ()


class Month(_PartWithUsual):
    """[month] What can be done in the month that calls are planned for; what is left out limits nothing."""

    slack_share: float = Field(ge=0, lt=1, description="10 % kept free is 0.1")
    visit_km: Cost = Field(description="km in a straight line")
    day_hours: float = Field(gt=0, le=24, description="hours on site")
    materials_cash: Cost | None = Field(default=None, description="money in your currency")
    hours: Costs = Field(default={}, description="hours in the month by skill")
    equipment_visits: Costs = Field(default={}, description="visits in the month by equipment")


class Calls(_PartWithUsual):
    """[calls] What a call costs and brings on average."""

    least_chance: float = Field(ge=0, le=1, description="a chance between 0 and 1")
    quiet_days: Cost = Field(description="days")
    yes_prior: float = Field(gt=0, description="calls that end in a yes")
    no_prior: float = Field(gt=0, description="calls that end in a no")
    usual_payback_years: float = Field(ge=1, le=20, description="years")
    payback_power: float = Field(ge=0, le=3, description="1 halves the odds at twice the payback")
    gain_power: float = Field(ge=0, le=3, description="0 = what is left to the owner plays no part")
    callback_chance: float = Field(ge=0, le=1, description="a chance between 0 and 1")
    warranty_reserve_share: float = Field(ge=0, le=1, description="2 % is 0.02")
    customer_years: Lifetime = Field(description="years")
    # No mode here: an amount that its owner never saw would be in a currency that nobody chose.
    cost_per_call: Cost = Field(default=0.0, description="money in your currency")


class LetterSection(_Part):
    """[letter] How the company writes to its customers; whatever is left out has a plain default."""

    address: Lines = Field(default=(), description="lines of text in a list")
    contact: Lines = Field(default=(), description="lines of text in a list: telephone, e-mail, registration")
    closing: Lines = Field(default=(), description="lines of text in a list: the small print at the foot")
    logo: str = Field(default="", description="path of a PNG, JPEG or SVG picture, beside this file")
    accent_colour: str = Field(
        default="#2b5a66",
        pattern="^#[0-9A-Fa-f]{6}$",
        description='a colour as # and six digits 0 to 9 or a to f, for example "#2b5a66"',
    )
    paper: Literal["a4", "letter"] = Field(default="a4", description='"a4" or "letter"')
    language: str = Field(default=ENGLISH.language, description="two letters, or path of a language file (TOML)")
    decimal_mark: Literal[".", ","] | None = Field(default=None, description='"." or ","')
    thousands_mark: str | None = Field(default=None, max_length=1, description="one character, or empty for none")
    date_format: str | None = Field(default=None, min_length=1, max_length=40, description='for example "%d.%m.%Y"')
    currency_first: bool | None = Field(
        default=None, description="true or false: does the currency stand before the amount?"
    )
    valid_days: int = Field(default=30, ge=1, le=730, description="whole days that an offer holds")
    most_options: int = Field(default=2, ge=1, le=4, description="options of a letter beside doing nothing")

    @field_validator("language")
    @classmethod
    def _is_written(cls, value: str) -> str:
        """Take two letters for a language that letters are written in, anything longer for a file."""
        if len(value) == 2 and value not in LETTER_LANGUAGES:
            known = ", ".join(LETTER_LANGUAGES)
            raise ValueError(f"letters are written in {known}; for another give the path of your own words")
        return value or ENGLISH.language

    @field_validator("date_format")
    @classmethod
    def _writes_a_day(cls, value: str | None) -> str | None:
        if value is None:
            return None
        two_days = date(2026, 3, 4), date(2027, 5, 6)
        if len({day.strftime(value) for day in two_days}) < len(two_days):
            raise ValueError('does not write day, month and year; write for example "%d.%m.%Y"')
        return value

    @field_validator("thousands_mark")
    @classmethod
    def _is_no_digit(cls, value: str | None) -> str | None:
        if value is not None and (value.isalnum() or value in ("-", "+")):
            raise ValueError("would be read as a part of the number; write a comma, a point, a space, or nothing")
        return value

    @model_validator(mode="after")
    def _marks_differ(self) -> LetterSection:
        usual = Figures.usual(self.language if self.language in LETTER_LANGUAGES else ENGLISH.language)
        decimal = usual.decimal_mark if self.decimal_mark is None else self.decimal_mark
        if decimal == (usual.thousands_mark if self.thousands_mark is None else self.thousands_mark):
            raise ValueError("decimal_mark and thousands_mark are the same; one number could be read as another")
        return self


class Override(_Part):
    """A number that replaces an assumption, with who decided it and why.

    ``low`` and ``high`` replace its range too, both or none of them.
    """

    value: float
    who: str = ""
    why: str = ""
    low: float | None = None
    high: float | None = None

    @model_validator(mode="before")
    @classmethod
    def _as_table(cls, given: Any) -> Any:
        """Let a bare number stand for {value = number}."""
        return {"value": given} if isinstance(given, int | float) else given

    @model_validator(mode="after")
    def _in_its_range(self) -> Override:
        if (self.low is None) != (self.high is None):
            raise ValueError("low and high belong together; give both or none")
        if self.low is not None and self.high is not None and not self.low <= self.value <= self.high:
            raise ValueError("the value does not lie between low and high")
        return self

    def put_on(self, given: Range) -> Range:
        """Return the range of an assumption with the range of this in its place, if it has one."""
        if self.low is None or self.high is None:
            return given
        return replace(given, low=self.low, mode=self.value, high=self.high)


class ChanceOverride(Override):
    """A chance between 0 and 1 that replaces the prior of a fact."""

    value: float = Field(ge=0, le=1, description="a chance between 0 and 1")


class Lessons(_Part):
    """[lessons] What was accepted of what done work and answers taught: when, by whom, from how much."""

    proposed_on: date
    accepted_on: date | None = None
    accepted_by: str = ""
    evidence: dict[str, str] = {}


# Where each kind of cost line finds its price
_SECTIONS = {**SECTIONS, ACCESS: "access.cost_per_visit"}


class Company(_Part):
    """The company file. Amounts are in the company's own currency at the prices of ``price_date``."""

    identity: Identity = Field(alias="company")
    money: Money
    work: Costs = Field(description="cost of an hour by skill")
    access: Access
    travel: Travel
    pv_system: PvSystem
    materials: Costs = {}
    inspections: Costs = {}
    yearly: Costs = {}
    avoided: Costs = {}
    income: Costs = {}
    retrofits: Retrofits = Retrofits()
    month: Month = Field(default_factory=lambda: Month.model_validate({}))
    calls: Calls = Field(default_factory=lambda: Calls.model_validate({}))
    letter: LetterSection = LetterSection()
    assumptions: dict[str, dict[str, Override]] = {}
    facts: dict[str, ChanceOverride] = {}
    system: dict[str, Override] = {}
    lessons: Lessons | None = None

    @field_validator("travel")
    @classmethod
    def _skill_has_a_cost(cls, travel: Travel, info: ValidationInfo) -> Travel:
        if travel.skill not in info.data.get("work", {travel.skill}):
            raise ValueError(f"skill '{travel.skill}' has no cost; add it to [work] or name another one")
        return travel

    @field_validator("month")
    @classmethod
    def _capacity_is_of_something_known(cls, month: Month, info: ValidationInfo) -> Month:
        if "work" in info.data and (strange := sorted(set(month.hours) - set(info.data["work"]))):
            raise ValueError(f"hours of the skill {', '.join(strange)}, which is not below [work]; add or correct it")
        access = info.data.get("access")
        if access and (strange := sorted(set(month.equipment_visits) - set(access.cost_per_visit))):
            raise ValueError(
                f"visits with {', '.join(strange)}, which is not below [access.cost_per_visit]; add or correct it"
            )
        return month

    def price_of(self, kind: str, key: str) -> float:
        """Return the price-book figure of an item: money per unit, as it stands in the file.

        Raises
        ------
        AftersunError
            If the file has no such item; the hint is the line to add.
        """
        section = _SECTIONS[kind]
        book: Costs = attrgetter(section)(self)
        if key not in book:
            raise AftersunError(
                f"The company file has no price for {kind} '{key}'.",
                f"Add the line '{key} = ...' below [{section}], with your own figure for the dots.",
            )
        return book[key]

    def overrides(self, retrofit_id: str) -> dict[str, float]:
        """Return the company's own values for the assumptions of one retrofit."""
        return {name: given.value for name, given in self.assumptions.get(retrofit_id, {}).items()}

    def range_of(self, retrofit_id: str, name: str, given: Range) -> Range:
        """Return the range of an assumption of one retrofit: the company's own where it has one."""
        own = self.assumptions.get(retrofit_id, {}).get(name)
        return given if own is None else own.put_on(given)

    @property
    def prices(self) -> dict[str, float]:
        """The figures of all price items, skills and access apart, as they stand in the file."""
        return {**self.materials, **self.inspections, **self.yearly, **self.avoided, **self.income}

    @property
    def priors(self) -> dict[str, float]:
        """The company's own chances for facts that are unknown at a site."""
        return {name: given.value for name, given in self.facts.items()}

    @property
    def system_overrides(self) -> dict[str, float]:
        """The company's own values for what is assumed of every system."""
        return {name: given.value for name, given in self.system.items()}


def lessons_file(company_file: Path) -> Path:
    """Return where the lessons that were accepted for a company file stand: beside it."""
    return company_file.with_suffix(".lessons.toml")


def load_company(path: Path, lessons: bool = True) -> Company:
    """Read and check a company file, with the lessons that were accepted beside it unless ``lessons`` is false.

    Raises
    ------
    AftersunError
        If a file cannot be read, is not TOML, or has problems; the hint lists each with its place.
    """
    raw, beside = _raw(path), lessons_file(path)
    if lessons and beside.is_file():
        raw = with_lessons(raw, _raw(beside))
    try:
        return Company.model_validate(raw)
    except ValidationError as error:
        problems = complaints(error, Company)
        count = "one problem" if len(problems) == 1 else f"{len(problems)} problems"
        raise AftersunError(f"The company file {path} has {count}.", "\n".join(problems)) from error


def with_lessons(company: Mapping[str, Any], lessons: Mapping[str, Any]) -> dict[str, Any]:
    """Return the lines of a company file with lessons put in the place of what it says, section by section."""
    both = dict(company)
    for name, given in lessons.items():
        before = both.get(name)
        table = isinstance(given, Mapping) and isinstance(before, Mapping) and not _is_override(given)
        both[name] = with_lessons(before, given) if table else given  # type: ignore[arg-type]
    return both


def _is_override(given: Mapping[str, Any]) -> bool:
    return "value" in given


def _raw(path: Path) -> dict[str, Any]:
    try:
        return read_toml(path)
    except OSError as error:
        raise AftersunError(
            f"The company file {path} cannot be read: {error.strerror}.",
            "Check the path, or let the program write a new company file and fill it in.",
        ) from error
    except ValueError as error:
        raise AftersunError(
            f"The company file {path} is not valid TOML: {error}.",
            "Correct that place; texts stand in quotes, numbers have a decimal point and no thousands mark.",
        ) from error

"""Writes a new company file: every item with its unit, usual range, source and price date as a remark."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from string import Template

import aftersun_datasets
from aftersun.model.change import ACCESS, AVOIDED_RISK, AVOIDED_WORK, INSPECTION, LABOUR, MATERIAL, STANDING
from aftersun.model.errors import AftersunError

TRAVEL = "travel"  # kind of the price items that describe the way to a site; no cost line has it

_WIDTH = 100
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")

# section name of the template -> kinds of price items that stand in it
_KINDS: Mapping[str, tuple[str, ...]] = {
    "work": (LABOUR,),
    "equipment": (ACCESS,),
    "travel": (TRAVEL,),
    "materials": (MATERIAL,),
    "inspections": (INSPECTION,),
    "yearly": (STANDING,),
    "avoided": (AVOIDED_WORK, AVOIDED_RISK),
}

_TEXT = Template("""\
# The company file: your prices and settings. Text after a # is a remark.
#
# 1. Fill in the places marked FILL IN: name, currency and base position.
# 2. Overwrite the prices with your own. Those given here are only a start: the remark above each says what it
#    is, the usual range, the day and the source, where the currency is named too. It is not yours.
# 3. Amounts carry a decimal point and no thousands mark. Shares are written as 0.2 for 20 %.

[company]
# FILL IN: your name as customers know it
name = ""
# FILL IN: three capital letters, for example "NOK"; XXX = not set
currency = "XXX"
# Day these prices were checked last; set it anew whenever you do
price_date = $price_date
# Do the costs in this file contain sales tax? true: it is taken out to get at your own cost. false: it is
# only added to the price. What stands below [avoided] always contains it.
prices_include_tax = false

[money]
$money

# Cost of an hour of work on site by skill.
[work]
$work

# What is brought to reach the modules. Several retrofits done in one visit share it.
[access]
# For work from the ground and for arrays that stand on it; "none" costs nothing
ground = "none"
$access

# Cost for each visit. Add equipment of your own and name it in the rules below.
[access.cost_per_visit]
$equipment

# Which equipment for which roof: one storey, two storeys, three and more. Common practice, no source; the law
# and your own risk assessment come first. A fragile sheet roof is never walked on.
[access.roof]
pitched_tile = ["tower", "scaffold", "scaffold"]
pitched_slate = ["scaffold", "scaffold", "scaffold"]
pitched_metal = ["tower", "scaffold", "scaffold"]
flat_membrane = ["edge_protection", "edge_protection", "edge_protection"]
flat_gravel = ["edge_protection", "edge_protection", "edge_protection"]
fragile_sheet = ["scaffold", "scaffold", "scaffold"]
unknown = ["scaffold", "scaffold", "scaffold"]

[travel]
# FILL IN: where your van starts, in degrees; north and east positive
base_latitude = nan
base_longitude = nan
# What an hour on the road is paid: a name below [work]
skill = "helper"
$travel

# How long the PV system will be kept where the owner has not said: the life below less its age.
[pv_system]
$pv_system

# Your cost of a unit of material.
[materials]
$materials

# Your cost of a survey, check or test.
[inspections]
$inspections

# What the owner pays you every year or for every yearly visit, before markup: your cost.
[yearly]
$yearly

# What the owner pays others today and may no longer have to, sales tax included.
[avoided]
$avoided

# Retrofits that you do not offer: their ids, for example off = ["tilt_mount"]
[retrofits]
off = []

# What you can do in the month that calls are planned for.
[month]
$month
# Your cash for materials in the month, in your currency; without this line it limits nothing
# materials_cash = 4000

# Hours in the month by skill, those on the road too: names below [work]. A skill without a line limits nothing.
[month.hours]
# electrician = 120

# Visits in the month for which each piece of equipment can be had: names below [access.cost_per_visit].
[month.equipment_visits]
# scaffold = 8

# What a call costs and brings on average.
[calls]
$calls

# How you write to your customers: letterhead, language and number format of letters, sheets and pages.
[letter]
# Lines of your address, of how you are reached, and of the small print at the foot
address = []
contact = []
closing = []
# A PNG, JPEG or SVG picture, its path from this file's folder; without this line there is none
# logo = "logo.svg"
# A colour of your own, as # and six digits 0 to 9 or a to f
accent_colour = "#2b5a66"
# "a4" or "letter"
paper = "a4"
# A file of your language, its path from this file's folder; without this line the letters are in English
# language = "words.toml"
# How numbers, days and amounts are written
decimal_mark = "."
thousands_mark = ","
date_format = "%d %B %Y"
# Does the currency stand before the amount?
currency_first = false
# Days that an offer holds, and the most options that a letter proposes beside doing nothing
valid_days = 30
most_options = 2

# Everything below replaces what the program assumes. Write a number, or the number with who decided and why:
#
# [assumptions.bird_mesh]
# life_years = 12
# [assumptions.anti_soiling_coating]
# half_life_years = {value = 0.5, who = "workshop", why = "three roofs followed for two years"}
#
# [facts]      # chance, 0 to 1, of a yes/no fact that is not known at a site
# birds_seen = 0.2
#
# [system]     # losses and defaults assumed of every PV system
# ageing_per_year = 0.006
""")


def company_template(price_rows: Sequence[Mapping[str, str]]) -> str:
    """Return the text of a new company file.

    It loads once the company's name, currency and base position are filled in.

    Parameters
    ----------
    price_rows
        Rows of ``price_items.csv`` and of the same files of plugins: key, kind, unit, low, mode, high,
        price_date, source, meaning. An item may come more than once; the first is taken.

    Raises
    ------
    AftersunError
        If a row has an unknown kind or a key that cannot stand in the file as it is.
    """
    sections = {name: _section_rows(price_rows, kinds) for name, kinds in _KINDS.items()}
    known = {kind for kinds in _KINDS.values() for kind in kinds}
    for row in price_rows:
        if row["kind"] not in known or not _BARE_KEY.fullmatch(row["key"]):
            raise AftersunError(
                f"The price item '{row['key']}' of kind '{row['kind']}' cannot go into a company file.",
                f"A key has letters, digits and underscores only; kinds are {', '.join(sorted(known))}.",
            )
    settings = aftersun_datasets.rows("money.csv")
    blocks = {name: _block(rows) for name, rows in sections.items()}
    for section in ("money", "access", "pv_system", "month", "calls"):
        blocks[section] = _block(row for row in settings if row["section"] == section)
    oldest = min((row["price_date"] for row in price_rows), default="2025-01-01")
    return _TEXT.substitute(blocks, price_date=oldest)


def _section_rows(rows: Sequence[Mapping[str, str]], kinds: tuple[str, ...]) -> list[Mapping[str, str]]:
    first: dict[str, Mapping[str, str]] = {}
    for row in rows:
        if row["kind"] in kinds:
            first.setdefault(row["key"], row)
    return list(first.values())


def _block(rows: Iterable[Mapping[str, str]]) -> str:
    return "\n".join(_entry(row) for row in rows) or "# none yet"


def _entry(row: Mapping[str, str]) -> str:
    """Return the remark and the line of one item, of a price item or of a setting."""
    dated = f" (price of {row['price_date']})" if "price_date" in row else ""
    parts = (row["meaning"], f"{row['unit']}; usually {row['low']} to {row['high']}{dated}; {row['source']}")
    remark = [line for part in parts for line in textwrap.wrap(part, _WIDTH, subsequent_indent="  ")]
    line = f"{row.get('key') or row['name']} = {_number(row['mode'])}"
    return "\n".join([*(f"# {text}" for text in remark), line])


def _number(text: str) -> str:
    """Return a number the way TOML wants it: no leading dot, no plus sign."""
    value = float(text)
    return str(int(value)) if value.is_integer() else repr(value)

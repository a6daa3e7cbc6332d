"""What made each layout of the inventory out of the one before, where a comparison of columns cannot see it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import aftersun_datasets


@dataclass(frozen=True)
class RenamedColumn:
    """A column that has another name now. Done before what is missing is added."""

    table: str
    old: str
    new: str


@dataclass(frozen=True)
class TranslatedValues:
    """Texts of a column that are written otherwise now, by what they were. Done after what is missing was added.

    A text that is not named stays as it is. ``column`` has its newest name.
    """

    table: str
    column: str
    values: Mapping[str, str]


@dataclass(frozen=True)
class Statement:
    """Any other change, as SQL. Done after what is missing was added; tables and columns have their newest names."""

    sql: str


Change = RenamedColumn | TranslatedValues | Statement


def _translations(file: str) -> list[TranslatedValues]:
    """Return what a file translates, column by column."""
    values: dict[tuple[str, str], dict[str, str]] = {}
    for row in aftersun_datasets.rows(file, "aftersun.inventory"):
        values.setdefault((row["table"], row["column"]), {})[row["before"]] = row["now"]
    return [TranslatedValues(table, column, texts) for (table, column), texts in values.items()]


def _capacity(name: str) -> str:
    """Return the SQL that turns the name of a capacity of version 0.1.0 into its code."""
    codes = {"^cash for materials$": "materials_cash", "^(.*) hours$": r"hours_\1", "^visits with (.*)$": r"visits_\1"}
    for before, now in codes.items():
        name = f"regexp_replace({name}, '{before}', '{now}')"
    return name


_UNTOLD = " ".join(
    f"WHEN starts_with(text, '{begins}') THEN '{code}'"
    for begins, code in {
        "output is curtailed": "curtailed",
        "no output is computed": "no_output",
        "no output is expected": "none_expected",
        "the readings give a factor": "beyond_bounds",
        "too few readings": "too_few",
        "a trend takes": "no_trend",
        "little output in low light": "low_light",
    }.items()
)
"""What the readings could not tell, as a case of SQL: the code by how the sentence of version 0.1.0 began."""

FIRST_VERSIONS = 4
"""Layouts up to this one lack tables and columns, and nothing else."""
CHANGES: tuple[Change, ...] = (
    # Of version 0.1.0. Its reasons in the ranking stay sentences: their figures were not stored.
    *_translations("sentences_of_0_1_0.csv"),
    Statement(  # a condition may have several sentences: it ends where one that the program made begins
        "UPDATE ranking SET screening_reason = regexp_extract(reason, 'Survey first: (.*?)(\\. (Best way: |A safety "
        "matter: |Remaining life not known, |Export price not known, |Fuel price not known, ).*)?\\.?$', 1) "
        "WHERE contains(reason, 'Survey first: ')"
    ),
    Statement(
        "UPDATE call SET excluded_detail = regexp_extract(excluded_reason, 'less than (.+) days', 1), "
        "excluded_reason = 'quiet_period' WHERE excluded_reason LIKE 'the last contact was less than % days ago'"
    ),
    Statement(
        "UPDATE call SET excluded_detail = excluded_reason[12:], excluded_reason = 'short_of_capacity' "
        "WHERE excluded_reason LIKE 'not enough %'"
    ),
    Statement(
        "UPDATE cost_item SET every_year = starts_with(note, 'every year'), "
        "note = regexp_replace(note, '^(every year|after \\d+ years)(; )?', '')"
    ),
    Statement("ALTER TABLE run_plan DROP COLUMN IF EXISTS shortage"),  # the shortages stand in run_capacity
    Statement(
        "ALTER TABLE offer ALTER COLUMN equipment SET DATA TYPE VARCHAR[] "
        "USING CASE equipment::VARCHAR WHEN '' THEN [] ELSE string_split(equipment::VARCHAR, '+') END"
    ),
    Statement(f"UPDATE run_capacity SET name = {_capacity('name')}"),
    Statement(
        "UPDATE call SET excluded_detail = array_to_string(list_transform(string_split(excluded_detail, ', '), "
        f"lambda name: {_capacity('name')}), ', ') WHERE excluded_reason = 'short_of_capacity'"
    ),
    Statement(
        "UPDATE cost_item SET trip_km = try_cast(regexp_extract(note, '^(\\d+) km and ', 1) AS DOUBLE), "
        "trip_hours = try_cast(regexp_extract(note, ' and ([\\d.]+) h there and back', 1) AS DOUBLE), "
        "out_of_reach = contains(note, 'farther than the company goes'), note = '' WHERE kind = 'travel'"
    ),
    Statement(
        "UPDATE cost_item SET roof_kind_unknown = regexp_matches(note, '(^|; )roof kind not known'), "
        "storeys_assumed = try_cast(regexp_extract(note, '(^|; )(\\d+) storeys assumed$', 2) AS INTEGER), "
        "note = regexp_replace(note, '(^|; )(roof kind not known|(roof kind not known; )?\\d+ storeys assumed)$', '') "
        "WHERE kind = 'access'"
    ),
    Statement(
        "ALTER TABLE question ALTER COLUMN retrofits SET DATA TYPE VARCHAR[] "
        "USING CASE WHEN retrofits IS NULL THEN [] WHEN starts_with(retrofits::VARCHAR, '[') "
        "THEN retrofits::VARCHAR::VARCHAR[] ELSE string_split(retrofits::VARCHAR, ', ') END"
    ),
    Statement(
        "ALTER TABLE site_energy ADD COLUMN IF NOT EXISTS remark VARCHAR; "
        "UPDATE site_energy SET station_far = contains(coalesce(remark, ''), ' km away'), "
        "station_steep = regexp_matches(coalesce(remark, ''), ' m (higher|lower)'); "
        "ALTER TABLE site_energy DROP COLUMN remark"
    ),
    Statement(
        "ALTER TABLE run_assumption ADD COLUMN IF NOT EXISTS overridden VARCHAR; "
        "UPDATE run_assumption SET replaced = coalesce(overridden, '') != '', replaced_by = nullif(nullif("
        "regexp_extract(overridden, '^by (.*?)(; |$)', 1), 'the company'), ''), "
        "replaced_why = nullif(regexp_extract(overridden, '; (.*)$', 1), ''); "
        "ALTER TABLE run_assumption DROP COLUMN overridden"
    ),
    Statement(
        "ALTER TABLE site_evidence ADD COLUMN IF NOT EXISTS remark VARCHAR; "
        "UPDATE site_evidence SET "
        "factor_read = try_cast(regexp_extract(remark, 'a factor of ([\\d.]+),', 1) AS DOUBLE), "
        "remarks = CASE WHEN coalesce(remark, '') = '' THEN [] ELSE "
        f"list_transform(string_split(remark, '; '), lambda text: CASE {_UNTOLD} ELSE text END) END; "
        "ALTER TABLE site_evidence DROP COLUMN remark"
    ),
    Statement(
        "ALTER TABLE reading_finding ADD COLUMN IF NOT EXISTS text VARCHAR; "
        "ALTER TABLE reading_finding ADD COLUMN IF NOT EXISTS what_to_do VARCHAR; "
        "UPDATE reading_finding SET gap_days = try_cast(regexp_extract(text, 'together ([\\d.]+) days', 1) AS DOUBLE), "
        "gap_share = try_cast(regexp_extract(text, ' ([\\d.]+) % of the time', 1) AS DOUBLE) / 100, "
        "late_h = try_cast(regexp_extract(text, ' lies ([\\d.]+) h too ', 1) AS DOUBLE) "
        "* CASE WHEN contains(text, 'too early') THEN -1 ELSE 1 END, "
        "finding = CASE WHEN finding = 'unit' AND contains(text, 'MWh') THEN 'megawatt_hours' "
        "WHEN finding = 'unit' THEN 'watt_hours' "
        "WHEN finding = 'clock' AND contains(text, 'summer time') THEN 'summer_time' ELSE finding END; "
        "ALTER TABLE reading_finding DROP COLUMN text; ALTER TABLE reading_finding DROP COLUMN what_to_do"
    ),
)
"""What made each further layout out of the one before, in order. Never edited once released; add another one."""

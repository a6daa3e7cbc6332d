"""Why two stored runs differ: what they were made from, and what came of it. Nothing is computed again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from aftersun.inventory.runs.stored_runs import RunRecord, stored_run
from aftersun.inventory.store.file import Inventory
from aftersun.inventory.store.sql import quoted
from aftersun.inventory.store.tables import RUN_TABLES
from aftersun.model.change import SEVERITIES
from aftersun.model.errors import AftersunError

# Why: kinds of difference in what runs were made from.
PROGRAM, PLUGIN, INPUT, SETTING = "program", "plugin", "input", "setting"
COMPANY, FAILURE, COMPUTED = "company file", "failed plugin", "changes no result"
_CODE = "code of "
_INPUT_NAMES = {"customers": "contact rules of customers", "call_log": "call log", "owners": "owners of sites"}


@dataclass(frozen=True)
class Cause:
    """One thing in which the runs were made differently; None = the run has no such thing."""

    kind: str
    name: str
    first: str | None
    second: str | None


@dataclass(frozen=True, eq=False)
class Difference:
    """Two runs side by side.

    ``tables`` says of each result table whether all its rows are the same. ``sites`` counts sites: of_both,
    only_in_first, only_in_second, best_offer_changed, ranking_changed. ``movers`` has site_id, offer_first,
    offer_second, npv_first, npv_second, npv_change of the sites whose best offer or its worth changed, largest change
    first. ``calls`` has site_id, offer, position_first and position_second of the sites that are on the call list of
    one run alone. ``notes`` has every safety note that only one of the runs has: site_id, retrofit, note_id, severity,
    text, who, tell_owner, and only_in, first or second.
    """

    first: RunRecord
    second: RunRecord
    causes: Sequence[Cause]
    tables: Mapping[str, bool]
    sites: Mapping[str, int]
    movers: pd.DataFrame
    calls: pd.DataFrame
    notes: pd.DataFrame

    @property
    def same(self) -> bool:
        """Whether all results are the same to the bit."""
        return all(self.tables.values())

    @property
    def currency(self) -> str:
        """The currency of the second run."""
        return str(self.second.settings.get("company", {}).get("company", {}).get("currency", ""))


def compare(inventory: Inventory, first: str | None = None, second: str | None = None, movers: int = 10) -> Difference:
    """Set two runs side by side; the last two if none are named, a named one and the last if one is.

    Raises
    ------
    AftersunError
        If there are no such runs.
    """
    before, after = _two_runs(inventory, first, second)
    ids = [before.run_id, after.run_id]
    (counts,) = inventory.connection.execute(_COUNTS, ids).df().to_dict("records")
    return Difference(
        before,
        after,
        causes(before, after),
        {table: _same(inventory, table, ids) for table in RUN_TABLES},
        sites={str(name): int(count) for name, count in counts.items()},
        movers=inventory.connection.execute(f"{_MOVERS} LIMIT $3", [*ids, movers]).df(),
        calls=inventory.connection.execute(_CALLS, ids).df(),
        notes=inventory.connection.execute(_NOTES, [*ids, list(SEVERITIES)]).df(),
    )


def causes(before: RunRecord, after: RunRecord) -> list[Cause]:
    """Return all in which two runs were made differently."""
    first, second = _made_from(before), _made_from(after)
    named = [(kind, name) for kind in first for name in sorted(first[kind].keys() | second[kind].keys())]
    pairs = [(kind, name, first[kind].get(name), second[kind].get(name)) for kind, name in named]
    return [
        Cause(kind, name, *(None if value is None else str(value) for value in (left, right)))
        for kind, name, left, right in pairs
        if left != right
    ]


def _made_from(run: RunRecord) -> dict[str, dict[str, Any]]:
    """Return all that a run was made from, by kind of cause and name."""
    settings, libraries = run.settings, run.settings.get("libraries", {})
    codes = {name.removeprefix(_CODE): value for name, value in run.input_hashes.items() if name.startswith(_CODE)}
    # The company file is compared line by line.
    inputs = {name: value for name, value in run.input_hashes.items() if not name.startswith((_CODE, "company_file"))}
    return {
        # the program's own version stands among the libraries, too
        PROGRAM: {"aftersun": run.program_version, **libraries, "code": codes.pop("aftersun", None)},
        PLUGIN: {**run.plugin_versions, **{f"code of {name.removeprefix('plugin ')}": codes[name] for name in codes}},
        INPUT: {_INPUT_NAMES.get(name, name): value for name, value in inputs.items()},
        COMPANY: _flat(settings.get("company", {})),
        SETTING: {"day": str(run.as_of), "seed": run.seed, "ranges": settings.get("ranges", "not stored")},
        FAILURE: {failed["plugin"]: f"{failed['during']}: {failed['reason']}" for failed in run.failures},
        COMPUTED: _flat(settings.get("computed_by", {})),
    }


def _two_runs(inventory: Inventory, first: str | None, second: str | None) -> tuple[RunRecord, RunRecord]:
    rows = inventory.connection.execute("SELECT run_id FROM run ORDER BY finished_at, started_at, run_id").fetchall()
    known = [str(row[0]) for row in rows]
    for name in (first, second):
        if name is not None and name not in known:
            raise AftersunError(
                f"There is no run {name}.",
                f"Stored are: {', '.join(known[-10:])}." if known else "Rank first; nothing was changed.",
            )
    if first is None and len(known) < 2:
        raise AftersunError(f"Two runs are needed, stored {'is one' if known else 'is none'}.", "Rank once more.")
    before, after = (stored_run(inventory, name) for name in (first or known[-2], second or known[-1]))
    assert before is not None
    assert after is not None
    return before, after


def _flat(value: Any, key: str = "") -> dict[str, Any]:
    """Return nested settings by their key, as section.name."""
    if not isinstance(value, Mapping):
        return {key: value}
    return {
        inner_key: setting
        for name, inner in value.items()
        for inner_key, setting in _flat(inner, f"{key}.{name}" if key else str(name)).items()
    }


def _same(inventory: Inventory, table: str, run_ids: Sequence[str]) -> bool:
    """Tell whether a table has the same rows in both runs, to the bit and whatever their order."""
    packed = ", ".join(f"{quoted(name)} := {quoted(name)}" for name in RUN_TABLES[table].columns if name != "run_id")
    query = f"SELECT count(*), sum(hash(struct_pack({packed}))::HUGEINT) FROM {quoted(table)} WHERE run_id = ?"
    before, after = (inventory.connection.execute(query, [run_id]).fetchall() for run_id in run_ids)
    return before == after


# The best of a site is what ranks first and may be offered or ends a danger: rank 1, unless it is worth nothing.
_SIDES = """
WITH sides AS (
    SELECT run_id, site_id, any_value(CASE WHEN npv > 0 OR for_safety THEN retrofit END) FILTER (rank = 1) AS offer,
        any_value(npv) FILTER (rank = 1) AS npv,
        list(retrofit || ' ' || coalesce(status, '') ORDER BY rank, retrofit) AS retrofits
    FROM ranking WHERE run_id IN ($1, $2) GROUP BY ALL
), a AS (FROM sides WHERE run_id = $1), b AS (FROM sides WHERE run_id = $2)
"""
_COUNTS = f"""
{_SIDES}
SELECT
    count(a.run_id || b.run_id) AS of_both,
    count(*) FILTER (b.run_id IS NULL) AS only_in_first,
    count(*) FILTER (a.run_id IS NULL) AS only_in_second,
    count(*) FILTER (a.offer IS DISTINCT FROM b.offer AND a.npv + b.npv IS NOT NULL) AS best_offer_changed,
    count(*) FILTER (a.retrofits <> b.retrofits) AS ranking_changed
FROM a FULL JOIN b USING (site_id)
"""
_MOVERS = f"""
{_SIDES}
SELECT site_id, a.offer AS offer_first, b.offer AS offer_second, a.npv AS npv_first, b.npv AS npv_second,
    coalesce(b.npv, 0) - coalesce(a.npv, 0) AS npv_change
FROM a FULL JOIN b USING (site_id)
WHERE a.offer IS DISTINCT FROM b.offer OR a.npv IS DISTINCT FROM b.npv
ORDER BY abs(npv_change) DESC, site_id
"""
_CALLS = """
WITH a AS (FROM call WHERE run_id = $1 AND position IS NOT NULL),
    b AS (FROM call WHERE run_id = $2 AND position IS NOT NULL)
SELECT site_id, coalesce(a.retrofit, b.retrofit) AS offer, a.position AS position_first, b.position AS position_second
FROM a FULL JOIN b USING (site_id) WHERE a.position IS NULL OR b.position IS NULL
ORDER BY coalesce(b.position, a.position), site_id
"""
_NOTE = "site_id, retrofit, note_id, severity, text, who, tell_owner"
_NOTES = f"""
SELECT {_NOTE}, CASE WHEN any_value(run_id) = $1 THEN 'first' ELSE 'second' END AS only_in
FROM safety_note WHERE run_id IN ($1, $2) GROUP BY {_NOTE} HAVING count(DISTINCT run_id) = 1
ORDER BY list_position($3, severity) DESC, note_id, only_in, retrofit, site_id
"""

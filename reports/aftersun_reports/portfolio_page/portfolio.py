"""What the page says of the whole portfolio, and of the run that it was made from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date
from typing import Any

from aftersun import api
from aftersun_reports.notes import NotesOfRun
from aftersun_reports.portfolio_page import details, sites
from aftersun_reports.portfolio_page.coding import number, text


def page_data(run: api.RunView) -> dict[str, Any]:
    """Return all that the page shows, as plain data."""
    notes, all_sites = NotesOfRun.of(run), sites.read_sites(run)
    head = run.letterhead
    drawn = bool(run.table("offer")["chance_npv_positive"].notna().any() or len(run.table("run_value")))
    return {
        "company": head.name,
        "personal": run.personal,
        "format": {
            "decimal": head.decimal_mark,
            "thousands": head.thousands_mark,
            "currency": run.currency,
            "currency_first": head.currency_first,
        },
        "drawn": drawn,
        "titles": dict(run.titles()),
        "members": {offer: list(run.members(offer)) for offer in run.table("offer")["offer"].unique()},
        "states": [{"word": word, "means": means} for word, means in sites.STATES],
        "value": _value(run),
        "worth_it": list(run.worth_it()),
        "month": _month(run),
        "delivered": _delivered(run),
        "notes": [
            {"note_id": note.id, "severity": note.severity, "text": note.text, "who": note.who} for note in notes.notes
        ],
        "sets": [list(positions) for positions in notes.sets],
        "known": _known(notes, all_sites.ids),
        "sites": sites.as_data(run, all_sites, notes),
        "places": [
            {"name": text(row["name"]), **{name: number(row[name]) for name in ("latitude", "longitude")}}
            for row in run.places().to_dict("records")
        ],
        "details": details.as_data(run, all_sites, notes),
        "run": _run(run),
    }


def _known(notes: NotesOfRun, site_ids: Sequence[str]) -> list[dict[str, Any]]:
    """Return the hazards known to stand, each with the places of its sites, what is most urgent first."""
    place_of = {site: place for place, site in enumerate(site_ids)}
    standing: dict[int, list[int]] = {}
    for site, positions in notes.known.items():
        for position in positions:
            standing.setdefault(position, []).extend([place_of[site]] if site in place_of else [])
    return [
        {"note": position, "hazard": api.hazard_text(notes.notes[position].id), "sites": places}
        for position, places in standing.items()
    ]


def _value(run: api.RunView) -> list[dict[str, Any]]:
    """Return the rows of run_value, all together first (retrofit "")."""
    return [
        {
            "retrofit": text(row["retrofit"]),
            "offers": number(row["offers"]),
            "npv": number(row["npv"]),
            **{name: number(row[f"npv_{name}"]) for name in ("p90", "p10")},
        }
        for row in run.table("run_value").sort_values("retrofit", kind="stable").to_dict("records")
    ]


def _delivered(run: api.RunView) -> list[dict[str, Any]]:
    """Return what done work delivered, a row a retrofit."""
    names = (
        *("works", "unmeasured", "promised_kwh", "delivered_kwh", "bias_kwh"),
        *("came", "came_low", "came_high", "all_roofs", "all_roofs_low", "all_roofs_high"),
    )
    bands = ("below_p90", "p90_to_promise", "promise_to_p10", "above_p10")
    return [
        {
            "retrofit": text(row["retrofit"]),
            **{name: number(row[name]) for name in names},
            "bands": [number(row[name]) for name in bands],
        }
        for row in run.delivered().to_dict("records")
    ]


def _month(run: api.RunView) -> dict[str, Any]:
    """Return how far the month goes, how many are called, and how many are not, by reason."""
    calls, plan = run.table("call"), run.table("run_plan")
    reasons = Counter(sites.not_called(calls[calls["position"].isna()]))
    capacities = run.table("run_capacity").to_dict("records")
    names = ("bookable", "used", "short", "value_of_one_more")
    return {
        "calls": int(calls["position"].notna().sum()),
        "plan": [
            {
                "value": number(row["value"]),
                "status": api.plan_text(row["status"]),
                "shortage": api.shortage_text(capacities),
            }
            for row in plan.to_dict("records")
        ],
        "capacities": [
            {
                "name": api.capacity_text(row["name"]),
                "binding": text(row["binding"]) == "yes",
                **{name: number(row[name]) for name in names},
            }
            for row in capacities
        ],
        "not_called": [{"reason": text(reason), "sites": int(count)} for reason, count in reasons.most_common()],
    }


def _run(run: api.RunView) -> dict[str, Any]:
    """Return what the run was made from, as label and text, and which plugins failed."""
    made, day = run.made_from, api.Figures.of(run.letterhead).day
    energy = run.table("site_energy")
    weather = Counter(zip(map(text, energy["station_id"]), map(text, energy["weather_basis"]), strict=True))
    versions = [f"{name} {version}" for name, version in sorted(made["plugin_versions"].items())]
    facts = [
        ("Run", [run.run_id]),
        ("Calculated as of", [day(run.as_of)]),
        ("Finished", [f"{day(run.made_at.date())} {run.made_at:%H:%M} UTC"]),
        ("Prices of", [day(date.fromisoformat(run.company["company"]["price_date"]))]),
        ("Weather", [_weather(basis, station, count) for (station, basis), count in weather.most_common()]),
        ("Sites valued", [text(made["sites"])]),
        ("Program", [f"aftersun {text(made['program_version'])}"]),
        ("Retrofits", versions),
        ("Seed of the draws", [text(made["seed"])]),
    ]
    failures = [
        {name: text(failure.get(name)) for name in ("plugin", "during", "reason")} for failure in made["failures"]
    ]
    return {
        "facts": [{"label": label, "texts": texts} for label, texts in facts if any(texts)],
        "failures": failures,
        "as_of": day(run.as_of),
    }


def _weather(basis: str, station: str, count: int) -> str:
    year = "made from the climate normals of" if basis == "normals" else "typical year of station"
    return f"{year} {station} ({count} {'site' if count == 1 else 'sites'})"

"""What a run is made from: names checked before it starts, inputs hashed, retrofits and assumptions written down."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path

import pandas as pd

from aftersun.energy.assumptions import system_values
from aftersun.host.assumed import assumed
from aftersun.host.registry import Registry
from aftersun.model.errors import AftersunError
from aftersun.money.company import Company, lessons_file
from aftersun.scoring.value.cohorts import GridCell, Portfolio, Weather


def check_names(registry: Registry, company: Company) -> None:
    """Refuse a company file that names what does not exist: retrofits, assumptions, facts, values of systems.

    Raises
    ------
    AftersunError
        Naming the first of them and what there is instead.
    """
    installed = {loaded.id: loaded.retrofit for loaded in registry.retrofits}
    facts = {fact for retrofit in installed.values() for fact in retrofit.facts}
    for name in sorted(set(company.retrofits.off) - set(registry.off)):
        raise _no_such(f"switches off '{name}', which is not installed", installed)
    for name in sorted(set(company.priors) - facts):
        raise _no_such(f"gives a chance of '{name}', which no retrofit asks for", facts)
    for name in sorted(set(company.assumptions) - {*installed, *registry.off}):
        raise _no_such(f"overrides assumptions of '{name}', which is not installed", installed)
    for name, retrofit in installed.items():
        assumed(retrofit, company.overrides(name), company.priors)
    system_values(company.system_overrides)


def _no_such(problem: str, there_are: Iterable[str]) -> AftersunError:
    return AftersunError(f"The company file {problem}.", f"There are: {', '.join(sorted(there_are))}.")


def hashes(company_file: Path, portfolio: Portfolio) -> dict[str, str]:
    """Return what the run was made from: company file, lessons, tables and weather years, by SHA-256."""
    beside = lessons_file(company_file)
    return {
        "company_file": hashlib.sha256(company_file.read_bytes()).hexdigest(),
        **({"lessons": hashlib.sha256(beside.read_bytes()).hexdigest()} if beside.is_file() else {}),
        **chunk_hashes(portfolio),
        "customers": _digest([portfolio.customers]),
        "call_log": _digest([portfolio.log]),
        "owners": _digest([portfolio.owners]),
        "left_out": _digest([portfolio.left_out]),
    }


def chunk_hashes(portfolio: Portfolio) -> dict[str, str]:
    """Return hashes of all that the chunks are computed from, the same however the portfolio is cut into them."""
    by_name = {f"weather {name}": _weather_digest(weather) for name, weather in sorted(portfolio.weather.items())}
    for table in ("sites", "arrays", "fitted", "readings"):
        by_name[table] = _digest(
            [getattr(chunk, table).drop(columns="site", errors="ignore") for chunk in portfolio.chunks]
        )
    for part in ("periods", "hours"):
        rows = [frame for frame in (getattr(chunk.prices, part) for chunk in portfolio.chunks) if len(frame)]
        whole = pd.concat(rows).drop_duplicates().sort_values(list(rows[0].columns)) if rows else pd.DataFrame()
        by_name[f"prices by time, {part}"] = _digest([whole.reset_index(drop=True)])
    skylines = sorted((site, repr(line)) for chunk in portfolio.chunks for site, line in chunk.horizons.items())
    by_name["horizons"] = hashlib.sha256(repr(skylines).encode()).hexdigest()
    choices = sorted({repr(chunk.choices) for chunk in portfolio.chunks})
    by_name["choices"] = hashlib.sha256(repr(choices).encode()).hexdigest()
    by_name["places"] = _digest([portfolio.places])
    return by_name


def _weather_digest(weather: Weather) -> str:
    """Return the hash of the file of a weather year and of what was made of it."""
    if isinstance(weather, GridCell):
        return weather.sha256
    made = _digest([weather.hours])
    return hashlib.sha256(f"{weather.sha256} {weather.station!r} {made}".encode()).hexdigest()


def _digest(frames: Sequence[pd.DataFrame | pd.Series]) -> str:
    """Return a hash of the rows of frames that follow one another."""
    digest = hashlib.sha256()
    for frame in frames:
        digest.update(pd.util.hash_pandas_object(frame).to_numpy().tobytes())
    names = list(frames[0].columns) if frames and isinstance(frames[0], pd.DataFrame) else []
    digest.update(repr(names).encode())
    return digest.hexdigest()


def catalogue(registry: Registry, company: Company) -> dict[str, pd.DataFrame]:
    """Return what the run's retrofits are, assume and are claimed to do, so that a stored run explains itself."""
    retrofits: list[dict[str, object]] = []
    assumptions: list[dict[str, object]] = []
    claims: list[dict[str, object]] = []
    for loaded in registry.retrofits:
        about, overrides = loaded.retrofit.about, company.assumptions.get(loaded.id, {})
        row = {name: getattr(about, name) for name in ("title", "summary", "version")}
        row |= {"origin": loaded.origin, "life_years": about.life.mode, "sources": "; ".join(about.sources)}
        retrofits.append({"retrofit": about.id, **row})
        for name, given in loaded.retrofit.assumptions.items():
            override = overrides.get(name)
            row = {
                "name": name,
                "used": override.value if override else given.mode,
                "replaced": override is not None,
                "replaced_by": (override and override.who) or None,
                "replaced_why": (override and override.why) or None,
            }
            in_force = company.range_of(about.id, name, given)
            row |= {"low": in_force.low, "high": in_force.high}
            of_range = asdict(given)
            del of_range["of_each_site"]  # how it is drawn is the program's, not the run's
            assumptions.append({"retrofit": about.id, **of_range, **row})
        claims.extend({"retrofit": about.id, "text": c.text, "source": c.source} for c in loaded.retrofit.claims)
    tables = {"run_retrofit": retrofits, "run_assumption": assumptions, "run_claim": claims}
    return {name: pd.DataFrame(rows) for name, rows in tables.items()}

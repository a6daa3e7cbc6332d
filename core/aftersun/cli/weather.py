"""Commands on weather years."""

from __future__ import annotations

from dataclasses import asdict
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from aftersun.cli.options import AsJson, InventoryFile
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError

if TYPE_CHECKING:
    from aftersun.climate.read import WeatherReading, Wishes

app = typer.Typer(help="Weather years of an inventory.", no_args_is_help=True, rich_markup_mode=None)

RainFile = Annotated[
    Path | None,
    typer.Option(
        "--rain",
        help="CSV file of rain that takes the place of the weather file's: a year of days (date,rain_mm) or "
        "12 months (month,rain_mm,rain_days).",
        show_default=False,
    ),
]
UtcOffset = Annotated[
    float | None,
    typer.Option(
        "--utc-offset",
        help="Standard time of the place, hours ahead of UTC, for weather whose hours are UTC; default by longitude.",
        show_default=False,
    ),
]


class Service(StrEnum):
    """Services that typical years can be fetched from."""

    PVGIS = "pvgis"
    NSRDB = "nsrdb"


def _wishes(rain: Path | None, utc_offset: float | None, mend_clock: bool = False) -> Wishes:
    from aftersun.climate.rain_file import read_rain
    from aftersun.climate.read import Wishes

    return Wishes(None if rain is None else read_rain(rain), mend_clock, utc_offset)


def _keep(inventory: Path, readings: list[WeatherReading]) -> None:
    from aftersun.climate.table import hours_table
    from aftersun.inventory.store.file import Inventory
    from aftersun.inventory.store.weather_store import put_weather

    with Inventory.open(inventory) as opened:
        for reading in readings:
            station = reading.year.station
            new = put_weather(opened, station, hours_table(reading.year))
            state = "added" if new else "already there, unchanged"
            terminal.result(
                f"{station.station_id} {station.name} ({station.latitude:.2f}, {station.longitude:.2f}, "
                f"{station.elevation_m:.0f} m): {reading.year.ghi.sum() / 1000:.0f} kWh/m2 a year; {state}"
            )
            terminal.paragraph(f"source: {station.source}", indent=2, hang=2)
            terminal.paragraph(f"rain: {station.rain_basis}", indent=2, hang=2)
            for remark in reading.remarks:
                terminal.paragraph(f"note: {remark}", indent=2, hang=2)


@app.command()
def add(
    inventory: InventoryFile,
    files: Annotated[
        list[Path],
        typer.Argument(
            help="Weather files: TMY2, TMY3, EPW, PVGIS (CSV or JSON), NSRDB (CSV) or a plain table.",
            show_default=False,
        ),
    ],
    rain: RainFile = None,
    mend_clock: Annotated[
        bool,
        typer.Option(
            "--mend-clock",
            help="Move the irradiance of months whose clock is provably wrong, instead of refusing the file.",
        ),
    ] = False,
    utc_offset: UtcOffset = None,
) -> None:
    """Read weather files, check them and keep their year.

    Example: aftersun weather add company.duckdb station.epw --rain rain-2023.csv
    """
    from aftersun.climate.read import read_weather

    if len(files) > 1 and (rain is not None or utc_offset is not None):
        raise AftersunError(
            "--rain and --utc-offset belong to one place, but there are several weather files.",
            "Add one file at a time.",
        )
    wishes = _wishes(rain, utc_offset, mend_clock)
    # All are read before any is stored: a file that is refused leaves the inventory as it was.
    _keep(inventory, [read_weather(path, wishes=wishes) for path in files])


@app.command()
def fetch(
    inventory: InventoryFile,
    latitude: Annotated[float, typer.Option(help="Degrees, north positive.", show_default=False)],
    longitude: Annotated[float, typer.Option(help="Degrees, east positive.", show_default=False)],
    service: Annotated[Service, typer.Option(help="Who to ask.")] = Service.PVGIS,
    rain: RainFile = None,
    utc_offset: UtcOffset = None,
    url: Annotated[str, typer.Option(help="Another address of the service.", show_default=False)] = "",
    timeout: Annotated[float, typer.Option(help="Seconds to wait for an answer.")] = 60.0,
    api_key: Annotated[
        str, typer.Option(envvar="AFTERSUN_NSRDB_KEY", help="Your key for the NSRDB.", show_default=False)
    ] = "",
    email: Annotated[
        str, typer.Option(envvar="AFTERSUN_NSRDB_EMAIL", help="The address that key was given to.", show_default=False)
    ] = "",
) -> None:
    """Fetch a typical year from a public service, check it and keep it.

    Sends the two coordinates given here, for the NSRDB also key and address, and nothing else.

    Example: aftersun weather fetch company.duckdb --latitude 45.0 --longitude 8.0
    """
    from aftersun.climate import fetch
    from aftersun.inventory.store.file import Inventory

    Inventory.open(inventory, read_only=True).close()  # nobody is asked for a file that could not be kept
    wishes = _wishes(rain, utc_offset)
    if service is Service.PVGIS:
        reading = fetch.fetch_pvgis(latitude, longitude, url=url or fetch.PVGIS_URL, timeout_s=timeout, wishes=wishes)
    else:
        reading = fetch.fetch_nsrdb(
            latitude,
            longitude,
            api_key=api_key,
            email=email,
            url=url or fetch.NSRDB_URL,
            timeout_s=timeout,
            wishes=wishes,
        )
    _keep(inventory, [reading])


@app.command("list")
def list_(inventory: InventoryFile, json: AsJson = False) -> None:
    """List the weather years of an inventory.

    Example: aftersun weather list company.duckdb
    """
    from aftersun.inventory.store.file import Inventory
    from aftersun.inventory.store.weather_store import stations

    with Inventory.open(inventory, read_only=True) as opened:
        found = stations(opened)
    if json:
        terminal.json([asdict(station) for station in found])
        return
    terminal.table(
        ["station", "name", "latitude", "longitude", "height", "rain"],
        [
            [
                s.station_id,
                s.name,
                f"{s.latitude:.2f}",
                f"{s.longitude:.2f}",
                f"{s.elevation_m:.0f} m",
                s.rain_basis,
            ]
            for s in found
        ],
        "<<>>><",
    )

"""Commands on weather years."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from aftersun.cli.declaring import argument, flag, group, option
from aftersun.cli.options import AsJson, InventoryFile, opened
from aftersun.cli.terminal import terminal
from aftersun.model.errors import AftersunError

if TYPE_CHECKING:
    from aftersun.climate.read import ReadingOptions, WeatherReading

app = group(help="Weather years of an inventory.")

RainFile = Annotated[Path | None, option("weather.rain", "--rain")]
UtcOffset = Annotated[float | None, option("weather.utc_offset", "--utc-offset")]


@app.command()
def add(
    inventory: InventoryFile,
    files: Annotated[list[Path], argument("weather.files")],
    rain: RainFile = None,
    correct_clock: Annotated[bool, flag("weather.correct_clock", "--correct-clock")] = False,
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
    options = _options(rain, utc_offset, correct_clock)
    # All are read before any is stored: a file that is refused leaves the inventory as it was.
    _keep(inventory, [read_weather(path, options=options) for path in files])


@app.command()
def fetch(
    inventory: InventoryFile,
    latitude: Annotated[float, option("weather.latitude")],
    longitude: Annotated[float, option("weather.longitude")],
    rain: RainFile = None,
    utc_offset: UtcOffset = None,
    url: Annotated[str, option("weather.url")] = "",
    timeout: Annotated[float, option("weather.timeout", show_default=True)] = 60.0,
) -> None:
    """Fetch a typical year from PVGIS, check it and keep it.

    Sends the two coordinates given here and nothing else.

    Example: aftersun weather fetch company.duckdb --latitude 45.0 --longitude 8.0
    """
    from aftersun.climate.fetch import PVGIS_URL, fetch_pvgis

    with opened(inventory):  # nobody is asked for a file that could not be kept
        pass
    options = _options(rain, utc_offset)
    _keep(inventory, [fetch_pvgis(latitude, longitude, url=url or PVGIS_URL, timeout_s=timeout, options=options)])


@app.command("list")
def list_(inventory: InventoryFile, json: AsJson = False) -> None:
    """List the weather years of an inventory.

    Example: aftersun weather list company.duckdb
    """
    from aftersun.inventory.store.weather_store import stations

    with opened(inventory) as source:
        listed = stations(source)
    if json:
        terminal.json(listed)
        return
    rows = [
        (s.station_id, s.name, f"{s.latitude:.2f}", f"{s.longitude:.2f}", f"{s.elevation_m:.0f} m", s.rain_basis)
        for s in listed
    ]
    terminal.table(["station", "name", "latitude", "longitude", "height", "rain"], rows, "<<>>><")


def _options(rain: Path | None, utc_offset: float | None, correct_clock: bool = False) -> ReadingOptions:
    from aftersun.climate.rain_file import read_rain
    from aftersun.climate.read import ReadingOptions

    return ReadingOptions(None if rain is None else read_rain(rain), correct_clock, utc_offset)


def _keep(inventory: Path, readings: list[WeatherReading]) -> None:
    from aftersun.climate.sun import hours_table
    from aftersun.inventory.store.weather_store import put_weather

    with opened(inventory, read_only=False) as target:
        for reading in readings:
            station = reading.year.station
            new = put_weather(target, station, hours_table(reading.year))
            terminal.result(
                f"{station.station_id} {station.name} ({station.latitude:.2f}, {station.longitude:.2f}, "
                f"{station.elevation_m:.0f} m): {reading.year.ghi.sum() / 1000:.0f} kWh/m2 a year; "
                f"{'added' if new else 'already there, unchanged'}"
            )
            remarks = [f"source: {station.source}", f"rain: {station.rain_basis}"]
            for text in [*remarks, *(f"note: {remark}" for remark in reading.remarks)]:
                terminal.paragraph(text, indent=2, hang=2)

"""Commands on weather years."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from aftersun.cli.options import AsJson, InventoryFile
from aftersun.cli.terminal import terminal

app = typer.Typer(help="Weather years of an inventory.", no_args_is_help=True, rich_markup_mode=None)


@app.command()
def add(
    inventory: InventoryFile,
    files: Annotated[list[Path], typer.Argument(help="Weather files, TMY3 or EPW.", show_default=False)],
) -> None:
    """Read weather files, check them and keep their year.

    Example: aftersun weather add company.duckdb station.epw
    """
    from aftersun.climate.read import read_weather
    from aftersun.climate.table import hours_table
    from aftersun.inventory.store import Inventory
    from aftersun.inventory.weather_store import put_weather

    # All are read before any is stored: a file that is refused leaves the inventory as it was.
    readings = [read_weather(path) for path in files]
    with Inventory.open(inventory) as opened:
        for reading in readings:
            station = reading.year.station
            new = put_weather(opened, station, hours_table(reading.year))
            state = "added" if new else "already there, unchanged"
            terminal.result(
                f"{station.station_id} {station.name} ({station.latitude:.2f}, {station.longitude:.2f}, "
                f"{station.elevation_m:.0f} m): {reading.year.ghi.sum() / 1000:.0f} kWh/m2 a year; {state}"
            )
            terminal.paragraph(f"rain: {station.rain_basis}", indent=2, hang=2)
            for remark in reading.remarks:
                terminal.paragraph(f"note: {remark}", indent=2, hang=2)


@app.command("list")
def list_(inventory: InventoryFile, json: AsJson = False) -> None:
    """List the weather years of an inventory.

    Example: aftersun weather list company.duckdb
    """
    from aftersun.inventory.store import Inventory
    from aftersun.inventory.weather_store import stations

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
